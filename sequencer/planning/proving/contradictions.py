"""One fact stands in one place: what the files say twice and differently is refused, with both places named."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from sequencer.checks.finding import MeterMark
from sequencer.inputs.bench_parts.instrument_drivers import OperatorVoltmeter
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load import LoadedSequence
from sequencer.planning.step import Step
from sequencer.problems import Complaint, listed
from sequencer.units.format import format_quantity

S_UNIT_DB = 6.0  # IARU Region 1 R.1


def contradictions(
    steps: Iterable[Step], sequence: LoadedSequence, bench: LoadedBench
) -> Iterator[Complaint]:
    """Return what the sequence says of the unit's signal meter against what the bench file, or another of its checks, says."""
    steps = tuple(steps)
    yield from _against_model(steps, sequence)
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


def _against_model(steps: tuple[Step, ...], sequence: LoadedSequence) -> Iterator[Complaint]:
    """Return what the sequence says itself of the model's units, and the model file says otherwise."""
    if sequence.model is None:
        return
    source, said, there = sequence.source, sequence.model.model, sequence.model.source
    top = sequence.sequence
    for key, unit, own, of_model in (
        ("supply", "V", top.supply_v, said.supply_v),
        ("rated_power", "W", top.rated_power_w, said.rated_power_w),
    ):
        if source.is_own(key) and own is not None and of_model is not None and not _alike(own, of_model):
            shown = format_quantity(of_model, unit)
            yield source.complain(
                (key,),
                f"{format_quantity(own, unit)} here, and the model {said.model} says {shown} ({there.where(key)})",
                allowed=f"{shown}, or no '{key}' here: the model's is taken then",
            )
    for key, own_range, model_range in (
        ("rated_supply", top.rated_supply, said.rated_supply),
        ("rated_temperature", top.rated_temperature, said.rated_temperature),
    ):
        if (
            source.is_own(key)
            and own_range is not None
            and model_range is not None
            and own_range != model_range
        ):
            yield source.complain(
                (key,),
                f"{own_range} here, and the model {said.model} says {model_range} ({there.where(key)})",
                allowed=f"{model_range}, or no '{key}' here: the model's is taken then",
            )
    own_plan, plan = sequence.plan, sequence.model.plan
    differs = own_plan is not None and plan is not None and own_plan.frequencies_hz != plan.frequencies_hz
    if own_plan is not None and plan is not None and differs and source.is_own("channels"):
        yield source.complain(
            ("channels",),
            f"the plan {own_plan.name!r} has other channels than {plan.name!r} of the model {said.model} ({there.where('channels')})",
            allowed="the model's plan, or no 'channels' here: the model's are taken then",
        )
    yield from _modes_and_meter(steps, sequence)


def _modes_and_meter(steps: tuple[Step, ...], sequence: LoadedSequence) -> Iterator[Complaint]:
    assert sequence.model is not None
    source, said, there = sequence.source, sequence.model.model, sequence.model.source
    for step in steps:
        mode = step.conditions.mode
        if step.side in ("receive", "transmit") and mode not in said.modes:
            own: tuple[str | int, ...] = ("mode",)
            if step.point is not None and step.point.mode is not None:
                own = (*step.at, "at", "mode")
            elif step.settings.mode is not None:
                own = (*step.at, "mode")
            yield source.complain(
                own,
                f"{step.check.name} is to be made in {mode}, which the model {said.model} has not ({there.where('modes')})",
                allowed=listed(said.modes),
            )
        if said.meter is None:
            continue
        for one in step.check.meter_marks(step.settings):
            at = (*step.at, *one.at)
            if one.mark == "S9" and source.is_own(*at) and not _alike(one.volts_v, said.meter.s9_v):
                yield source.complain(
                    at,
                    f"S9 is {one.volts_v:g} V here, and {said.meter.s9_v:g} V on the model {said.model} ({there.where('meter', 's9')})",
                    allowed=f"{said.meter.s9_v:g} V, or no voltage here: the model's is taken then",
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
