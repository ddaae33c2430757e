"""How a command ended."""

from __future__ import annotations

from enum import IntEnum


class ExitStatus(IntEnum):
    """How a command ended; with several reasons, the highest. Where something may still be on, BENCH_FAILED, whatever else there is."""

    PASSED = 0
    FAILED = 1
    INPUT_WRONG = 2
    BENCH_FAILED = 3
    INTERRUPTED = 4
    STORE_BUSY = 5
    """Nothing was begun, or shown, because others hold the store. A run that has begun waits for it instead, and keeps its journal."""
