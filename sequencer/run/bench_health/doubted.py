"""What speaks against the bench, as results of the bench itself: it stands in table, store and report beside what was measured then."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sequencer.inputs.bench_parts.bench_health import bench_serial
from sequencer.planning.doubts.calibration import Doubt
from sequencer.results.model import BENCH_HEALTH, Result
from sequencer.run.facts import RunFacts
from sequencer.uncertainty.decision import SIMPLE, Decision

SOUND = (Decision.PASS, Decision.CONDITIONAL_PASS, Decision.NO_LIMIT)
AIR_READ = "what the chamber reads is its air"
BEFORE_ALL = -1
"""The number under which they stand, before the first check of the sequence."""
FOUND_LATER = -2
"""The number of those that were found while it was measured: kept apart, so that they take the place of none."""
CLOCK_SET = -3
"""The number under which it stands that the time of day was set: each time anew, also in a run that was carried on."""


def doubt_results(doubts: Iterable[Doubt], facts: RunFacts) -> tuple[Result, ...]:
    """Return a "no" for each sentence that is not true of the bench, with why; it has no limit and decides nothing.

    What a run that is carried on has said before it was cut short it does not say again.
    """
    sequence = facts.plan.sequence
    checks = facts.carried.read.kept.checks if facts.carried is not None else ()
    said = {
        one.quantity
        for check in checks
        if check.check_index in (BEFORE_ALL, FOUND_LATER)
        for one in check.results
    }
    return tuple(
        Result(
            time=datetime.now().astimezone(),
            run=facts.run,
            serial=bench_serial(facts.plan.bench.bench.bench),
            model="",
            sequence=sequence.sequence.sequence,
            sequence_hash=sequence.hash,
            bench=facts.bench_name,
            bench_hash=facts.plan.bench.hash,
            simulated=facts.simulated,
            check=BENCH_HEALTH,
            channel=None,
            frequency_hz=None,
            mode="",
            quantity=one.sentence,
            value=0.0,
            unit="",
            uncertainty=0.0,
            lower_limit=None,
            upper_limit=None,
            decision=Decision.NO_LIMIT,
            rule=str(SIMPLE),
            note=one.why_not,
        )
        for one in doubts
        if one.sentence not in said
    )


def is_sound(results: Iterable[Result]) -> bool:
    """Say whether every result of a check of the bench was found, and lies within its limits."""
    return all(one.decision in SOUND for one in results)


def is_changed(results: Iterable[Result]) -> bool:
    """Say whether one of them lies outside its limits."""
    return any(one.decision is Decision.FAIL for one in results)
