"""Children of a process that run on from where it stands, and hand back one JSON value each."""

from __future__ import annotations

import json
import os
import select
import signal
from collections.abc import Callable
from typing import Any

LONGEST_S = 120
"""A child that takes longer hangs, and is ended."""


class Children:
    """Up to ``jobs`` children at a time. ``take`` is called with what each was made for and what it handed back, None for one that died."""

    def __init__(self, jobs: int, take: Callable[[Any, Any], None]) -> None:
        self._jobs = jobs
        self._take = take
        self._running: dict[int, tuple[int, Any, bytearray]] = {}
        self._handing_back: int | None = None

    @property
    def is_child(self) -> bool:
        """Whether this process is one of them."""
        return self._handing_back is not None

    def fork(self, made_for: Any) -> bool:
        """Make a child; returns True in it. Waits while as many as may run."""
        while len(self._running) >= self._jobs:
            self._wait()
        reading, writing = os.pipe()
        if (child := os.fork()) == 0:
            os.close(reading)
            for descriptor in self._running:
                os.close(descriptor)
            self._running.clear()
            self._handing_back = writing
            signal.signal(signal.SIGALRM, signal.SIG_DFL)
            signal.alarm(LONGEST_S)
            return True
        os.close(writing)
        self._running[reading] = (child, made_for, bytearray())
        return False

    def hand_back(self, value: Any) -> None:
        """End this child with what it found. Does not return."""
        assert self._handing_back is not None
        left = memoryview(json.dumps(value).encode())
        while left:
            left = left[os.write(self._handing_back, left) :]
        os._exit(0)

    def finish(self) -> None:
        """Wait for all of them."""
        while self._running:
            self._wait()

    def _wait(self) -> None:
        for descriptor in select.select(list(self._running), [], [])[0]:
            child, made_for, found = self._running[descriptor]
            if more := os.read(descriptor, 1 << 16):
                found += more
                continue
            os.close(descriptor)
            del self._running[descriptor]
            os.waitpid(child, 0)
            self._take(made_for, json.loads(found) if found else None)
