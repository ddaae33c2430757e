"""Which readings of a check are spoilt: of those that read as another check does, every second place of what that one meets.

The whole: tests/benchmarks/bench_wrong_readings.py.
"""

from __future__ import annotations

from collections.abc import Sequence

from tests.support.senseless import CASES

READ_AS = {
    "s_meter_curve": "s9_point",
    "peak_deviation from samples": "modulation_depth from samples",
    "microphone_sensitivity in AM": "microphone_sensitivity",
    "audio_response in AM": "audio_response",
    "residual_modulation in AM": "residual_modulation",
    "record_audio of receive": "record_audio of transmit",
    "sensitivity from samples": "sensitivity",
    "sensitivity by quieting": "sensitivity",
    "sensitivity in AM": "sensitivity",
    "sensitivity in SSB": "sensitivity",
    "selectivity with its sensitivity": "selectivity",
    "blocking": "selectivity",
}
"""Cases that search or read by the procedure of another, which is spoilt at every place: of the places of these, every second."""
assert set(READ_AS) | set(READ_AS.values()) <= set(CASES)
assert not set(READ_AS) & set(READ_AS.values())
WEIGHED = {"s9_point", "s_meter_curve"}
"""Their searches take long to work out: fewer places."""
SWITCHED = "squelch"
"""The same, and one place. Over all 36 of them, of 144 runs none is off the unit's own levels by more than 0.96 U (it opens at
-122.18 dBm and closes at -126.20 dBm, with the receiver's noise of -128.93 dBm in the way; of 96 more with a stale reading, on eight other
seeds, none). Beside the undisturbed run, whose hysteresis is itself 0.86 U too small, two are 1.08 and 1.01 U apart. To read once more what
is the same to its last digit made it worse: 21 of the 96 were beyond U, for the level had gone on.
"""
AT_EVERY = 13  # readings up to which each of them is spoilt


def places_of(name: str, readings: int, *, whole: bool = False) -> tuple[tuple[int, int | None], ...]:
    """Return from which reading on, and how many times, those of a case are spoilt; None: for good.

    ``whole``: all of them, also of what reads as another does.
    """
    last = readings - 1
    every = ((0, 1), (last // 2, 1), (0, None), (min(2, last), None))
    return every if whole or name not in READ_AS else every[1::2]


def places_of_one(name: str, count: int, *, whole: bool = False) -> Sequence[int]:
    """Return which of so many readings are spoilt; ``whole``: also of those that read as another does, which meets all."""
    if name in WEIGHED:
        return (count // 3, count // 2, count - 3)
    if name == SWITCHED:
        return (count // 2,)
    at: Sequence[int] = (
        range(count)
        if count <= AT_EVERY
        else sorted({0, 1, 2, 3, count // 3, count // 2, count - 3, count - 1})
    )
    return at if whole or name not in READ_AS else at[::2]
