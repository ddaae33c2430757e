"""The person at the terminal: questions on standard error, answers from standard input, line by line.

What was typed before a question is not an answer to it: it is dropped, as a late answer on a wire is. Once the run is being stopped
a question waits for a minute only: somebody may have sent SIGTERM to a terminal that nobody sits at.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from typing import Any, Protocol

from sequencer.run.interrupt import Stopper

STOPPING_ANSWER_S = 60.0
_LOOK_S = 0.2
_LONGEST_LINE = 4096


class Screen(Protocol):
    """Whatever else is shown on the terminal."""

    def pause(self) -> None:
        """Clear it away."""

    def resume(self) -> None:
        """Show it again."""


class _NothingShown:
    def pause(self) -> None:
        """Nothing to clear away."""

    def resume(self) -> None:
        """Nothing to show again."""


class TerminalPerson:
    """A `drivers.operator.prompt.Person` at this process's terminal. ``screen`` is paused while a question stands."""

    def __init__(self, screen: Screen | None = None, *, descriptor: int | None = None) -> None:
        self._screen: Screen = screen or _NothingShown()
        self._descriptor = sys.stdin.fileno() if descriptor is None else descriptor
        self._held = b""

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Show ``text`` and return the line that is typed; None at the end of input. TimeoutError after ``within_s``."""
        self._screen.pause()
        try:
            self._drop_typed_ahead()
            sys.stderr.write(text)
            sys.stderr.flush()
            return self._line(text, within_s)
        finally:
            self._screen.resume()

    def stop(self, why: str) -> None:
        """Do what Ctrl-C does: the way to a safe bench is the same. Returns where signals are only counted."""
        sys.stderr.write(f"\nstopping: {why}\n")
        signal.raise_signal(signal.SIGINT)

    def _line(self, text: str, within_s: float | None) -> str | None:
        began_s, requests = time.monotonic(), _requests()
        while b"\n" not in self._held and len(self._held) <= _LONGEST_LINE:
            waited_s = time.monotonic() - began_s
            limit_s = within_s
            if _requests() > requests:  # Ctrl-C throws away what was typed, and is only counted now
                requests = _requests()
                sys.stderr.write(f"\n  The run is being stopped already.\n{text}")
                sys.stderr.flush()
            if requests:
                limit_s = min(STOPPING_ANSWER_S, within_s if within_s is not None else STOPPING_ANSWER_S)
            if limit_s is not None and waited_s >= limit_s:
                sys.stderr.write("\n(no answer in time)\n")
                raise TimeoutError(f"no answer within {limit_s:g} s")
            if not self._is_ready(limit_s, waited_s):
                continue
            try:
                more = os.read(self._descriptor, _LONGEST_LINE)
            except OSError:  # the terminal is gone
                return None
            if not more:
                return None
            self._held += more
        line, _, self._held = self._held.partition(b"\n")
        return line.decode("utf-8", "replace").rstrip("\r")

    def _is_ready(self, limit_s: float | None, waited_s: float) -> bool:
        if (
            sys.platform == "win32"
        ):  # select knows sockets only there; the answer is waited for without a limit
            return True
        # Looked at again every now and then: a signal that is only counted does not end the wait by itself.
        look_s = _LOOK_S if limit_s is None else max(0.0, min(_LOOK_S, limit_s - waited_s))
        return bool(select.select([self._descriptor], [], [], look_s)[0])

    def _drop_typed_ahead(self) -> None:
        self._held = b""
        if sys.platform == "win32" or not os.isatty(self._descriptor):
            return
        import termios

        termios.tcflush(self._descriptor, termios.TCIFLUSH)


def _requests() -> int:
    """Return how often the run has been asked to stop."""
    handler: Any = signal.getsignal(signal.SIGINT)
    owner = getattr(handler, "__self__", None)
    return owner.requests if isinstance(owner, Stopper) else 0
