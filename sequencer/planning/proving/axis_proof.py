"""The proof of conditions as axes: that a check can be repeated over them, and that unit and bench bear each value."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sequencer.checks.check import AnyCheck, Check
from sequencer.checks.settings import AXES, CheckSettings
from sequencer.inputs.bench_parts.instrument_roles import Supply
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load import LoadedSequence
from sequencer.planning.proving.proof import UNIT_SIDES
from sequencer.planning.step import Step
from sequencer.problems import Complaint, listed


def point_complaints(step: Step, sequence: LoadedSequence, bench: LoadedBench) -> Iterator[Complaint]:
    """Prove the supplies and the point of one step; the same is said of every step of a check, and counts once."""
    source = sequence.source
    for path, supply_v in step.check.supplies(step.settings):
        for message, allowed in supply_faults(supply_v, sequence, bench):
            yield source.complain((*step.at, *path), message, allowed=allowed)
    if (at := step.settings.at) is None or step.point is None:
        return
    fixed = _fixed(step.check, step.settings)
    for axis in at.axes:
        if axis in fixed:
            free = [one for one in AXES if one not in fixed]
            yield source.complain(
                (*step.at, "at", axis),
                f"{step.check.name} {fixed[axis]}",
                allowed=f"{listed(free)} in 'at'" if free else f"{step.check.name} without 'at'",
                key=True,
            )
    if (stated_v := step.point.supply_v) is not None and "supply" not in fixed and at.supply_v is not None:
        place = (*step.at, "at", "supply", at.supply_v.index(stated_v))
        for message, allowed in supply_faults(stated_v, sequence, bench):
            yield source.complain(place, message, allowed=allowed)
    asked_c = step.point.temperature_c
    if asked_c is not None and "temperature" not in fixed and at.temperature_c is not None:
        place = (*step.at, "at", "temperature", at.temperature_c.index(asked_c))
        for message, allowed in (
            *_temperature_faults(asked_c, sequence, bench),
            *_nearer_than_tolerance(asked_c, at.temperature_c, bench),
        ):
            yield source.complain(place, message, allowed=allowed)


def own_supply_complaints(sequence: LoadedSequence) -> Iterator[Complaint]:
    """Prove that the unit is rated for the supply that it is fed with at the start, and again after a check at another."""
    supply_v, rated = sequence.sequence.supply_v, sequence.sequence.rated_supply
    if supply_v is not None and rated is not None and not rated.holds(supply_v):
        yield sequence.source.complain(
            ("supply",),
            f"the unit is not rated for {supply_v:g} V ({sequence.source.where('rated_supply')})",
            allowed=f"{rated}",
        )


def _nearer_than_tolerance(
    asked_c: float, listed_c: tuple[float, ...], bench: LoadedBench
) -> Iterator[tuple[str, str]]:
    """Yield why two temperatures cannot be told apart on this bench: its chamber holds them no closer."""
    entry = bench.bench.with_role("chamber")
    if entry is None:
        return
    tolerance_c = entry[1].tolerance_c
    before = listed_c[: listed_c.index(asked_c)]
    if near := [one for one in before if abs(one - asked_c) <= tolerance_c]:
        yield (
            f"{asked_c:g} °C and {near[0]:g} °C are nearer to each other than the tolerance of {entry[0]}",
            f"temperatures more than {tolerance_c:g} °C apart",
        )


def temperature_complaints(steps: Iterable[Step], sequence: LoadedSequence) -> Iterator[Complaint]:
    """Prove that every check on a unit that was in a chamber before says at which temperature it is made."""
    was_in_chamber = False
    for step in steps:
        if step.conditions.temperature_c is not None:
            was_in_chamber = True
        elif was_in_chamber and step.side in UNIT_SIDES:
            yield sequence.source.complain(
                (*step.at, "check"),
                f"{step.check.name} stands behind checks at temperatures of their own, and says none: the unit is as warm as they left it",
                allowed="'at: {temperature: [20 degC]}' with the temperature that is meant, or a place before them",
            )


def supply_faults(supply_v: float, sequence: LoadedSequence, bench: LoadedBench) -> Iterator[tuple[str, str]]:
    """Yield why a unit cannot be fed with ``supply_v`` on this bench, and what is allowed."""
    entry, rated = bench.bench.with_role("supply"), sequence.sequence.rated_supply
    if rated is None and supply_v != sequence.sequence.supply_v:
        # what nobody has stated is not unlimited: the bench's supply may give twice what the unit bears
        yield (
            f"{supply_v:g} V is asked for, and nothing says at which voltages the unit may be fed",
            "'rated_supply: {min: …, max: …}' in its model file, or in the sequence",
        )
    elif rated is not None and not rated.holds(supply_v):
        yield (
            f"the unit is not rated for {supply_v:g} V ({sequence.source.where('rated_supply')})",
            f"{rated}",
        )
    if entry is None:
        yield (
            f"{supply_v:g} V is asked for and bench {bench.bench.bench!r} has no supply",
            "a bench with a supply, or no 'supply' here",
        )
    elif isinstance(entry[1], Supply) and supply_v > entry[1].max_voltage_v:
        yield (
            f"{supply_v:g} V is above max_voltage of {entry[0]}",
            f"at most {entry[1].max_voltage_v:g} V",
        )


def _temperature_faults(
    asked_c: float, sequence: LoadedSequence, bench: LoadedBench
) -> Iterator[tuple[str, str]]:
    """Yield why a unit cannot be brought to ``asked_c`` on this bench, and what is allowed."""
    entry, rated = bench.bench.with_role("chamber"), sequence.sequence.rated_temperature
    if rated is None:
        yield (
            f"{asked_c:g} °C is asked for, and nothing says at which temperatures the unit may be measured",
            "'rated_temperature: {min: …, max: …}' in its model file, or in the sequence",
        )
    elif not rated.holds(asked_c):
        place = sequence.source.where("rated_temperature")
        yield f"the unit is not rated for {asked_c:g} °C ({place})", f"{rated}"
    if entry is None:
        yield (
            f"{asked_c:g} °C is asked for and bench {bench.bench.bench!r} has no chamber",
            "a bench with a chamber, or no 'temperature' here",
        )
    elif not entry[1].temperature.min_c <= asked_c <= entry[1].temperature.max_c:
        offered = entry[1].temperature
        yield (
            f"{asked_c:g} °C is outside what {entry[0]} may be set to",
            f"{offered.min_c:g} to {offered.max_c:g} °C",
        )


def _fixed(check: AnyCheck, settings: CheckSettings) -> dict[str, str]:
    """Return the axes over which a check cannot be repeated, each with why."""
    if check.of_bench or check.side_of(settings) not in UNIT_SIDES:
        return dict.fromkeys(AXES, "measures no unit by itself, and cannot be repeated over conditions")
    if check.moves_cables(settings) or check.fixes == frozenset(AXES):
        return dict.fromkeys(AXES, "needs a person, and is not repeated over conditions")
    found = {axis: f"goes through its own {axis}" for axis in AXES if axis in check.fixes}
    if type(check).start_channel is not Check.start_channel:
        found["channel"] = "goes to channels by itself"
    return found
