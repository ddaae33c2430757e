"""Ctrl-C and SIGTERM: the first stops the run, later ones wait until the bench is safe."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Interrupted(KeyboardInterrupt):
    """Somebody asked the run to stop; ``signal_name`` is SIGINT or SIGTERM."""

    def __init__(self, signal_name: str) -> None:
        self.signal_name = signal_name
        super().__init__(f"stopped by {signal_name}")


class Stopper:
    """Counts the requests to stop; only the first is raised, so that the way to a safe bench is not cut short."""

    def __init__(self) -> None:
        self.requests = 0
        self._held = 0
        self._pending: str | None = None

    def handle(self, number: int, _frame: FrameType | None) -> None:
        """Raise `Interrupted` for the first signal; count the others."""
        self.requests += 1
        name = signal.Signals(number).name
        if self._held:
            self._pending = self._pending or name
        elif self.requests == 1:
            raise Interrupted(name)

    @contextmanager
    def held(self) -> Iterator[None]:
        """Hold signals off while something must not be cut short; a first signal that came meanwhile is raised afterwards."""
        self._held += 1
        try:
            yield
        finally:
            self._held -= 1
        if not self._held and self._pending is not None and self.requests == 1:
            name, self._pending = self._pending, None
            raise Interrupted(name)


@contextmanager
def stoppable() -> Iterator[Stopper]:
    """Turn SIGINT and SIGTERM into `Interrupted` for as long as this lasts (main thread; elsewhere signals stay as they are)."""
    stopper = Stopper()
    if threading.current_thread() is not threading.main_thread():
        yield stopper
        return
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.signal(number, stopper.handle) for number in numbers}
    try:
        yield stopper
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
