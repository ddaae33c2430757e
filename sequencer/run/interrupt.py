"""Ctrl-C, Ctrl-\\, SIGTERM and a terminal that hangs up: the first stops the run, later ones wait until the bench is safe.

An exception out of a signal handler can be lost: `click` turns it into an `Abort`, a failing release in a ``finally``
replaces it, the interpreter swallows it in a ``__del__``. So whoever runs a sequence also asks `Stopper.check` between steps.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

# A terminal that goes away (SIGHUP) or Ctrl-\ (SIGQUIT) would otherwise end the process with the unit keyed; Windows has neither.
_STOPPING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT") if hasattr(signal, name)
)
_OUTLIVED = tuple(getattr(signal, name) for name in ("SIGHUP",) if hasattr(signal, name))
# Ctrl-Z would leave the unit keyed for as long as the process sleeps.
_IGNORED = tuple(getattr(signal, name) for name in ("SIGTSTP",) if hasattr(signal, name))

# Sent to a process that was stopped, when it goes on.
_CONTINUED = tuple(getattr(signal, name) for name in ("SIGCONT",) if hasattr(signal, name))

RAISED_AGAIN_S = 2.0  # by then a person has seen that the first Ctrl-C did nothing


class Interrupted(KeyboardInterrupt):
    """Somebody asked the run to stop; ``signal_name`` is SIGINT, SIGTERM, SIGHUP or SIGQUIT."""

    def __init__(self, signal_name: str) -> None:
        self.signal_name = signal_name
        super().__init__(f"stopped by {signal_name}")


class Stopper:
    """Counts the requests to stop; the handler raises only the first, so that the way to a safe bench is not cut short.

    One that comes `RAISED_AGAIN_S` later, while nothing is held, finds that the first was lost, and is raised too.
    """

    def __init__(self) -> None:
        self.requests = 0
        self.signal_name = ""
        self.on_continue: Callable[[], None] = lambda: None
        """Told that this process was stopped and goes on."""
        self.look: Callable[[], None] = lambda: None
        """Called while a person is waited for: it may ask to stop."""
        self._signals = 0
        self._held = 0
        self._raised_at_s: float | None = None

    def handle(self, number: int, _frame: FrameType | None) -> None:
        """Raise `Interrupted` for the first signal, unless signals are held; count the others."""
        self.requests += 1
        self._signals += 1
        self.signal_name = self.signal_name or signal.Signals(number).name
        if self._held:
            return
        if self._raised_at_s is not None and time.monotonic() - self._raised_at_s > RAISED_AGAIN_S:
            self._raised_at_s = None
        self._raise_once()

    def handle_continue(self, _number: int, _frame: FrameType | None) -> None:
        """Tell that the process goes on; it raises nothing."""
        self.on_continue()

    def check(self) -> None:
        """Raise `Interrupted` if anybody has asked to stop, even if it was raised before and got lost on its way."""
        if self.requests:
            self._raised_at_s = time.monotonic()
            raise Interrupted(self.signal_name)

    def ask(self, name: str) -> None:
        """Ask to stop as a signal would, in the name of something else; raised by the next `check`, or when nothing is held any more."""
        self.requests += 1
        self.signal_name = self.signal_name or name

    def forget_asked(self) -> None:
        """Take back what `ask` asked, once it was done: another run may follow. What a signal asked stays."""
        self.requests, self._raised_at_s = self._signals, None
        if not self.requests:
            self.signal_name = ""

    def raise_asked(self) -> None:
        """Raise `Interrupted` for what `ask` asked, as a signal would: not while signals are held, and once."""
        if not self._held:
            self._raise_once()

    @contextmanager
    def as_before(self) -> Iterator[None]:
        """Hold signals afterwards as they were held before: a run holds them from its way out on, and another run may follow."""
        held = self._held
        try:
            yield
        finally:
            self._held = held

    def hold(self) -> None:
        """Hold signals off from now on: they are only counted."""
        self._held += 1

    def free(self) -> None:
        """Undo one `hold`, without raising what came meanwhile."""
        self._held -= 1

    @contextmanager
    def held(self) -> Iterator[None]:
        """Hold signals off while something must not be cut short; what came meanwhile is raised afterwards, once."""
        self._held += 1
        try:
            yield
        finally:
            self._held -= 1
        if self.requests and not self._held:
            self._raise_once()

    def _raise_once(self) -> None:
        if self._raised_at_s is None:
            self._raised_at_s = time.monotonic()
            raise Interrupted(self.signal_name)


_active: Stopper | None = None
_ends_process = False


def end_process_after() -> None:
    """Say that the process ends after the next `stoppable`: signals are then ignored rather than given back.

    One that comes between the last line and the end would otherwise take the exit status, and say nothing.
    """
    global _ends_process  # noqa: PLW0603 - a process ends once
    _ends_process = True


@contextmanager
def stoppable() -> Iterator[Stopper]:
    """Turn the signals into `Interrupted` for as long as this lasts (main thread; elsewhere signals stay as they are).

    Inside another `stoppable` it is that one's stopper that counts, and the outer one that gives the signals back: a command
    that still has to say how the bench was left wraps its run and its last line in one.
    """
    global _active  # noqa: PLW0603 - a process has one set of signal handlers
    if threading.current_thread() is not threading.main_thread():
        yield Stopper()
        return
    if _active is not None:
        yield _active
        return
    stopper = Stopper()
    stopper.hold()
    before = _take_over(stopper)
    _active = stopper
    stopper.free()  # what came meanwhile waits for `check`: raised here it would leave the handlers in place
    try:
        yield stopper
    finally:
        stopper.hold()
        _active = None
        for number, handler in before.items():
            signal.signal(number, signal.SIG_IGN if _ends_process else handler)


@contextmanager
def apart() -> Iterator[None]:
    """Let a `stoppable` inside be one of its own: what asks to stop there asks for nothing outside."""
    global _active  # noqa: PLW0603 - a process has one set of signal handlers
    before, _active = _active, None
    try:
        yield
    finally:
        _active = before


def _take_over(stopper: Stopper) -> dict[int, Any]:
    before: dict[int, Any] = {}
    ours: dict[int, Any] = dict.fromkeys(_STOPPING, stopper.handle) | dict.fromkeys(_IGNORED, signal.SIG_IGN)
    ours |= dict.fromkeys(_CONTINUED, stopper.handle_continue)
    for number, handler in ours.items():
        theirs = signal.getsignal(number)
        # None: not Python's to give back. nohup's SIGHUP stays ignored: the run was meant to outlive its terminal.
        if theirs is not None and (number not in _OUTLIVED or theirs != signal.SIG_IGN):
            before[number] = theirs
            signal.signal(number, handler)
    return before
