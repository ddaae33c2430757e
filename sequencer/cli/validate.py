"""`validate`: proves that a sequence can be run on a bench, and forecasts the bench time."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import click

from sequencer.cli.common.bench import bench_title, loss_lines, watchdog_lines
from sequencer.cli.common.options import check_model, check_serial
from sequencer.cli.order import order_as_json, order_lines
from sequencer.inputs.batch import LoadedBatch, batch_file
from sequencer.planning.doubts.calibration import calibration_doubts, soon_due_lines
from sequencer.planning.doubts.loss_beyond import loss_beyond_lines
from sequencer.planning.doubts.own_method import own_methods
from sequencer.planning.doubts.too_fine import presets_too_fine
from sequencer.planning.doubts.unproved import unheld_carriers, unproved_channels, unproved_readings
from sequencer.planning.doubts.unstated import unstated_connections, unstated_keys
from sequencer.planning.load_both import load_both
from sequencer.planning.plan import OrderAsked, Plan, make_plan
from sequencer.problems import FileProblems, printable
from sequencer.units.format import counted, time_text


def validate_command(
    sequence_name: str,
    bench_name: str,
    *,
    as_json: bool,
    only: tuple[str, ...] = (),
    order: OrderAsked = "written",
    serial: str = "",
    model: str = "",
) -> None:
    """Prove a sequence on a bench and print the plan."""
    try:
        if (batch := batch_file(sequence_name)) is not None:
            sequence_name, model = str(batch.sequence), model or batch.file.model or ""
        serial, model = check_serial(serial) if serial else "", check_model(model)
        both = load_both(sequence_name, bench_name, serial=serial, model=model)
        plan = make_plan(*both, serial=serial, only=only, order=order)
        today = datetime.now().astimezone().date()
        calibration_doubts(plan, today)  # refused where the bench file says so
    except FileProblems as problems:
        if as_json:
            complaints = [one.as_plain() for one in problems.complaints]
            click.echo(json.dumps({"valid": False, "complaints": complaints}, ensure_ascii=False, indent=2))
        raise
    if as_json:
        click.echo(json.dumps(_plan_as_json(plan, batch), ensure_ascii=False, indent=2))
        return
    if batch is not None:
        click.echo(printable(f"batch: {batch.file.batch}, with the sequence {batch.file.sequence}"))
    for line in _plan_lines(plan):
        click.echo(line)
    asks = [
        (plan.confirmations, "confirmation", ""),
        (len(plan.to_enter), "reading", ""),
        (len(plan.by_hand), "change of cables", "changes of cables"),
    ]
    named = " and ".join(counted(*one) for one in asks if one[0])
    asked = f", and asks for {named}" if named else ""
    soon = soon_due_lines(plan, today)
    told = (*order_lines(plan), *loss_lines(plan), *soon, *watchdog_lines(plan))
    for line in (*told, *_unstated_lines(plan)):
        click.echo(line)
    if (of := plan.sequence.model) is not None:
        place = f"shipped {of.path.name}" if of.shipped else str(of.path)
        click.echo(f"model: {printable(of.model.model)} ({printable(place)})")
    if model and (of is None or of.by_default):
        judged = (
            "no model file is used" if of is None else f"the unit is judged as {printable(of.model.model)}"
        )
        click.echo(
            f"note: no model file is called {printable(model)!r}: it is a text for the results, and {judged}."
        )
    click.echo(
        f"{printable(plan.sequence.sequence.sequence)}: can be run on {printable(bench_title(plan.bench))}; "
        f"takes about {time_text(plan.forecast_s)} of bench time{_failing(plan)}{asked}."
    )


def _failing(plan: Plan) -> str:
    """Return how long the run takes where the unit fails, if that is told apart from how long it takes otherwise."""
    takes, failing = time_text(plan.forecast_s), time_text(plan.forecast_s + plan.failing_s)
    return f" ({failing} on a unit that fails)" if failing != takes else ""


def _plan_lines(plan: Plan) -> list[str]:
    """Return a plan's steps, a line each, with their forecasts."""
    return [
        f"{step.index:3}  {printable(step.label)}"
        + (f"  ({time_text(step.forecast_s)})" if step.forecast_s else "")
        for step in plan.steps
    ]


def _unstated_lines(plan: Plan) -> list[str]:
    """Return what the bench file does not state and the sequence needs; nothing where it states all."""
    said = {
        "warning: the bench file does not state these, and what is measured with them has no stated uncertainty:": unstated_keys(
            plan
        ),
        "warning: these presets cannot be set that well on this bench; widen 'within', or use a better instrument:": (
            presets_too_fine(plan)
        ),
        "note: the bench file does not state how well these connections repeat, so that differences between runs cannot be judged:": (
            unstated_connections(plan)
        ),
        "note: these checks name a row of a published document and state something beside it:": own_methods(
            plan
        ),
        "note: the profiles have no reading of these, which are known beforehand and prove that an instrument reads this unit:": (
            unproved_readings(plan)
        ),
        "note: no analyser of this bench counts the carrier, so that the channel of what these read rests on the radio's word alone:": (
            unproved_channels(plan)
        ),
        "note: no check before these holds a carrier of this analyser against the power meter; put 'harmonics' before them:": (
            unheld_carriers(plan)
        ),
    }
    lines = []
    for heading, found in said.items():
        keys = [f"  {printable(key)}: {', '.join(checks)}" for key, checks in found.items()]
        lines += [heading, *keys] if keys else []
    return lines


def _plan_as_json(plan: Plan, batch: LoadedBatch | None) -> dict[str, Any]:
    return {
        "valid": True,
        "batch": "" if batch is None else batch.file.batch,
        "sequence": plan.sequence.sequence.sequence,
        "sequence_hash": plan.sequence.hash,
        "model": "" if plan.sequence.model is None else plan.sequence.model.model.model,
        "model_hash": plan.sequence.model_hash,
        "bench": bench_title(plan.bench),
        "bench_hash": plan.bench.hash,
        "simulated": plan.bench.bench.simulated,
        "rule": str(plan.sequence.sequence.rule),
        "confirmations": plan.confirmations,
        "entered": [one.name for one in plan.to_enter],
        "cables": [step.label for step in plan.by_hand],
        "loss_tables": {
            name: {"file": str(one.path), "date": one.table.day.isoformat(), "simulated": one.table.simulated}
            for name, one in plan.bench.tables.items()
        },
        "loss_beyond_table": loss_beyond_lines(plan),
        "calibration": soon_due_lines(plan, datetime.now().astimezone().date()),
        "unstated": {key: list(checks) for key, checks in unstated_keys(plan).items()},
        "presets_too_fine": {key: list(checks) for key, checks in presets_too_fine(plan).items()},
        "beside_documents": {said: list(checks) for said, checks in own_methods(plan).items()},
        "unstated_connections": {key: list(checks) for key, checks in unstated_connections(plan).items()},
        "watchdog": " ".join(watchdog_lines(plan)),
        "unproved": {key: list(checks) for key, checks in unproved_readings(plan).items()},
        "unproved_channels": {key: list(checks) for key, checks in unproved_channels(plan).items()},
        "unheld_carriers": {key: list(checks) for key, checks in unheld_carriers(plan).items()},
        "forecast_s": round(plan.forecast_s, 3),
        "forecast_failing_s": round(plan.forecast_s + plan.failing_s, 3),
        "opening_s": round(plan.opening_s, 3),
        "order": order_as_json(plan),
        "steps": [
            {
                "index": step.index,
                "label": step.label,
                "check": step.check.name,
                "side": step.side,
                "channel": step.conditions.channel,
                "frequency_hz": step.conditions.frequency_hz,
                "mode": step.conditions.mode,
                "forecast_s": round(step.forecast_s, 3),
            }
            for step in plan.steps
        ],
    }
