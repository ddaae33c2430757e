"""How long ago each bench gave a sign, counted from when this server saw it: clocks of machines differ, and are set while a bench works.

A sign carries the time of the machine that wrote it. Counted by that alone, a bench whose clock is ahead would look alive long after
its process died, and one whose clock is behind would look dead while it measures.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import replace

from sequencer.frozen import dataclass
from sequencer.results.bench_now import SILENT_S, BenchNow

APART_S = 5.0
"""Clocks that differ by more are pointed at: a network's time service keeps machines within a second (common practice, no source)."""
_CLOSE_S = SILENT_S / 2
"""Two looks as close as this tell what the clock of a bench is off by: its sign came in between."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """The last sign of a session; times by this server's monotonic clock. ``apart_s`` is None as long as nothing is known of it."""

    beat_utc_s: float
    heard_s: float
    noticed_s: float
    looked_s: float
    apart_s: float | None


class Signs:
    """What was seen of the signs of each session. May be asked by several threads."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._seen: dict[str, _Seen] = {}

    def aged(self, benches: Iterable[BenchNow]) -> list[BenchNow]:
        """Return the benches with how long each has been silent, and how far its clock is from this server's.

        One whose sign is old by its own clock, and that this server has not yet watched for as long, is not ``is_sure``.
        """
        found = list(benches)
        with self._lock:
            now_s = self._clock()
            before, self._seen = self._seen, {}
            for one in found:
                self._seen[one.worked.id] = _looked(one, before.get(one.worked.id), now_s)
            return [_aged(one, self._seen[one.worked.id], now_s) for one in found]


def _looked(one: BenchNow, before: _Seen | None, now_s: float) -> _Seen:
    if before is not None and before.beat_utc_s == one.beat_utc_s:
        return replace(before, looked_s=now_s)
    if before is None:
        age_s = max(0.0, one.silent_s)
        apart_s = one.silent_s if one.silent_s < 0.0 else None
    else:
        gap_s = now_s - before.looked_s
        apart_s = before.apart_s
        if gap_s <= _CLOSE_S:
            apart_s = one.silent_s - min(max(0.0, one.silent_s), gap_s)
        age_s = min(max(0.0, one.silent_s - (apart_s or 0.0)), gap_s)
    return _Seen(
        beat_utc_s=one.beat_utc_s, heard_s=now_s - age_s, noticed_s=now_s, looked_s=now_s, apart_s=apart_s
    )


def _aged(one: BenchNow, seen: _Seen, now_s: float) -> BenchNow:
    is_sure = seen.apart_s is not None or now_s - seen.noticed_s > SILENT_S
    return replace(one, silent_s=now_s - seen.heard_s, apart_s=seen.apart_s or 0.0, is_sure=is_sure)
