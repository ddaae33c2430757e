"""One fact stands in one place: what the files say twice and differently is refused, with both places named."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from sequencer.checks.finding import MeterMark
from sequencer.inputs.instrument_drivers import OperatorVoltmeter
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load import LoadedSequence
from sequencer.planning.step import Step
from sequencer.problems import Complaint

S_UNIT_DB = 6.0  # IARU Region 1 R.1


def contradictions(
    steps: Iterable[Step], sequence: LoadedSequence, bench: LoadedBench
) -> Iterator[Complaint]:
    """Return what the sequence says of the unit's signal meter against what the bench file, or another of its checks, says."""
    source = sequence.source
    dial = bench.bench.with_role("voltmeter")
    first: dict[tuple[object, ...], tuple[float, str]] = {}
    for step in steps:
        for one in step.check.meter_marks(step.settings):
            at = (*step.at, *one.at)
            if dial is not None and (said := _dial_says(dial[1], one)) is not None:
                place = bench.source.where("instruments", dial[0], "s9")
                yield source.complain(
                    at,
                    f"{step.check.name} takes {one.volts_v:g} V for {one.mark}, and the dial of {dial[0]}, in S units, stands for "
                    f"{said:g} V there ({place}): a level found by it would be false",
                    allowed=f"{said:g} V here, or 's9' and 's_unit' of the dial that give {one.volts_v:g} V: one of the two is wrong",
                )
            key = (one.mark, one.meter, step.conditions.mode, step.conditions.channel)
            known_v, there = first.setdefault(key, (one.volts_v, str(source.where(*at))))
            if not _alike(known_v, one.volts_v):
                yield source.complain(
                    at,
                    f"{one.mark} is {one.volts_v:g} V here and {known_v:g} V at {there}, on the same channel and in the same mode",
                    allowed="one voltage for it in all checks",
                )


def _dial_says(entry: object, one: MeterMark) -> float | None:
    """Return the voltage that a person's dial in S-units stands for at a mark, V, if it is another than the check's; else None."""
    if not isinstance(entry, OperatorVoltmeter) or entry.dial != "S units" or entry.s9_v is None:
        return None
    s_unit_v = entry.s_unit_v if entry.s_unit_v is not None else entry.s9_v / 9.0
    said_v = entry.s9_v + one.above_s9_db / S_UNIT_DB * s_unit_v
    return None if _alike(said_v, one.volts_v) else said_v


def _alike(one_v: float, other_v: float) -> bool:
    return math.isclose(one_v, other_v, rel_tol=1e-3, abs_tol=1e-3)
