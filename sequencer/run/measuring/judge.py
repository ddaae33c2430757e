"""Judging: what a check found becomes a result, with its decision and all that it was found under."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from sequencer.checks.finding import Finding
from sequencer.inputs.bench_parts.bench_health import bench_serial
from sequencer.planning.step import Step
from sequencer.results.at_point import KEPT_AS
from sequencer.results.budget_rows import stored
from sequencer.results.model import Confirmation, Result
from sequencer.results.settings import Settings
from sequencer.results.text import with_bound
from sequencer.run.facts import RunFacts
from sequencer.run.measuring.against_document import document_notes
from sequencer.safety.control.chamber import ChamberFacts
from sequencer.safety.control.supply import SupplyFacts
from sequencer.uncertainty.decision import SIMPLE, Decision, decide
from sequencer.units.format import format_quantity

EVALUATED = "re-evaluation"
"""How the note of a result begins that was judged anew from stored readings."""


def judged(
    finding: Finding,
    step: Step,
    facts: RunFacts,
    confirmed: Sequence[Confirmation],
    supply: SupplyFacts | None = None,
    chamber: ChamberFacts | None = None,
) -> Result:
    """Return the result of one finding, with every confirmation so far and the check's settings.

    ``supply`` is what the unit was fed with, unless the finding knows better, and whether that was read or is only stated.
    """
    plan = facts.plan
    uncertainty = 0.0 if finding.exact else None
    uncertainty = finding.budget.expanded if finding.budget is not None else uncertainty
    factor = finding.budget.coverage_factor if finding.budget is not None else 2.0
    of_bench = step.check.of_bench
    rule = SIMPLE if of_bench else plan.sequence.sequence.rule  # its limits hold the uncertainty already
    unstated = finding.budget.unstated if finding.budget is not None else ()
    statement = decide(
        finding.value,
        0.0 if of_bench and uncertainty is not None else uncertainty,
        finding.limits,
        rule,
        coverage_factor=factor,
        unstated=unstated,
        bound=finding.bound,
    )
    if finding.bound and statement.decision is Decision.NOT_MEASURED:
        finding, uncertainty = _undecided(finding), None
    supply = finding.supply or _fed(step, supply)
    conditions = [*([str(supply)] if supply is not None else []), *_temperature(step, chamber)]
    elsewhere = finding.channel is not None or finding.frequency_hz is not None
    frequency_hz = finding.frequency_hz if elsewhere else step.conditions.frequency_hz
    of_document = document_notes(finding, step, facts, uncertainty, frequency_hz)
    return Result(
        time=datetime.now().astimezone(),
        run=facts.run,
        serial=bench_serial(plan.bench.bench.bench) if of_bench else facts.serial,
        model="" if of_bench else facts.model,
        sequence=plan.sequence.sequence.sequence,
        sequence_hash=plan.sequence.hash,
        bench=facts.bench_name,
        bench_hash=plan.bench.hash,
        simulated=facts.simulated,
        check=step.check.name,
        channel=step.conditions.channel if finding.channel is None else finding.channel,
        frequency_hz=frequency_hz,
        mode="" if of_bench else step.conditions.mode,
        quantity=finding.quantity + ("" if step.point is None else step.point.suffix),
        value=finding.value,
        unit=finding.unit,
        uncertainty=uncertainty,
        lower_limit=finding.limits.lower,
        upper_limit=finding.limits.upper,
        decision=statement.decision,
        rule=str(rule),
        conditions="; ".join([*conditions, *(str(one) for one in confirmed if one.confirmed)]),
        note="; ".join(
            part.rstrip(".")
            for part in (
                finding.note,
                *statement.notes,
                *of_document,
                _repeated(step, facts),
                *_resumed(step, facts, finding),
                evaluated_mark(facts),
            )
            if part
        ),
        points=finding.points,
        budget=stored(finding.budget) if finding.budget is not None else None,
        settings=_settings(step),
        target=finding.target,
        target_unit=finding.target_unit,
        slope=finding.slope,
        **_axis(finding, step),
        nominal=finding.nominal,
        supply_v=supply.voltage_v if supply is not None else None,
        stage=finding.stage,
        fault=finding.fault,
        confirmations=tuple(confirmed),
        model_hash=plan.sequence.model_hash,
        limit_from=_limit_from(finding, step, facts),
        bound=finding.bound,
        **_stood_at(step, chamber),
        document="\n".join(part.rstrip(".") for part in of_document if part),
        **facts.line.as_plain(),
    )


def _undecided(finding: Finding) -> Finding:
    """Return the finding of a bound that decides nothing: no value, and the bound in its note."""
    if finding.value is None:
        return replace(finding, bound="")
    found = with_bound(finding.bound, format_quantity(finding.value, finding.unit))
    note = "; ".join(filter(None, (found, finding.note)))
    return replace(finding, value=None, budget=None, bound="", note=note)


def _fed(step: Step, supply: SupplyFacts | None) -> SupplyFacts | None:
    """Return what the unit was fed with in a step: what it states itself, where it was never made and the one before was fed otherwise."""
    stated_v = None if step.point is None else step.point.supply_v
    if stated_v is None or (supply is not None and supply.voltage_v == stated_v):
        return supply
    return SupplyFacts(voltage_v=stated_v, is_read=False)


def _temperature(step: Step, chamber: ChamberFacts | None) -> Iterator[str]:
    """Yield the temperature of a step in words: as it was read, or that nobody read it."""
    asked_c = step.conditions.temperature_c
    if asked_c is not None:
        is_read = chamber is not None and chamber.asked_c == asked_c
        yield str(chamber) if is_read else f"chamber {asked_c:g} °C (asked for, not read)"


def _stood_at(step: Step, chamber: ChamberFacts | None) -> dict[str, Any]:
    """Return the temperature of a step and what was read there, as fields of its results."""
    asked_c = step.conditions.temperature_c
    if asked_c is None or chamber is None or chamber.asked_c != asked_c:
        return {"temperature_c": asked_c}
    return {
        "temperature_c": asked_c,
        "air_c": chamber.air_c,
        "sensor_c": chamber.specimen_c,
        "soaked_s": chamber.soaked_s,
        "read_by": "a person" if chamber.by_hand else "",
    }


def _axis(finding: Finding, step: Step) -> dict[str, Any]:
    """Return the axis of a result: what its check states, or else the slowest axis of the step's own."""
    own = None if finding.axis or step.point is None else step.point.axis
    axis, value, unit = own or (finding.axis, finding.axis_value, finding.axis_unit)
    return {"axis": axis, "axis_value": value, "axis_unit": unit}


def _limit_from(finding: Finding, step: Step, facts: RunFacts) -> str:
    """Return file and line where the limits of a finding stand; the check's name where no file states them, nothing without limits."""
    if finding.limits.lower is None and finding.limits.upper is None:
        return ""
    source, key = facts.plan.sequence.source, step.check.limit_key(finding.quantity)
    if not key or key not in source.find(step.at).entries:
        return step.check.name
    place = source.where(*step.at, key, key=True)
    model = facts.plan.sequence.model
    shipped = model is not None and model.shipped and place.file == model.source.file
    return f"{'shipped ' if shipped else ''}{Path(place.file).name}:{place.line}"


def evaluated_mark(facts: RunFacts) -> str:
    """Return what says in a result itself that nothing was measured for it; empty where something was."""
    of = facts.evaluated
    return "" if of is None else f"{EVALUATED} of the readings of run {of.run} of {of.time}"


def _repeated(step: Step, facts: RunFacts) -> str:
    """Say in the result itself that it repeats another: its table stands by itself too."""
    if facts.again is None or step.check.name == "confirm":
        return ""
    return f"repeats run {facts.again.run}: {facts.again.reason}"


def _resumed(step: Step, facts: RunFacts, finding: Finding) -> Iterator[str]:
    """Say in the result itself that it was found after its run was cut short, where that made a difference to it."""
    carried = facts.carried
    notes = facts.said_then if carried is None else carried.notes
    yield notes.get(step.index, "")
    if carried is not None and finding.stage == "as found":
        yield carried.found_notes.get(step.index, "")


def _settings(step: Step) -> Settings | None:
    """Return what the check was told to do; channel, mode and limits stand in the result itself."""
    left_out = {"check", "channel", "mode", "limit", "limits", "limits_from", KEPT_AS}
    try:
        told = step.settings.model_dump(mode="json", exclude=left_out, warnings=False)
        point = {} if step.point is None else {KEPT_AS: step.point.as_plain()}
        return Settings.of({**told, **point})
    except ValueError:  # of a check from elsewhere, with values that have no plain form
        return None
