"""What came of a run, on the screen or as JSON, and `run` of one run."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from typing import Any

import click

from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.cli.order import order_as_json
from sequencer.cli.run import Asked, Ran, execute, prepare, tell_beforehand
from sequencer.cli.screens.json_lines import JsonLines
from sequencer.cli.screens.run_shown import show_run
from sequencer.cli.screens.summary import verdict_line
from sequencer.results.model import facts_of
from sequencer.run.interrupt import stoppable
from sequencer.run.record import Record
from sequencer.run.status import ExitStatus


@stoppable()  # from the files to the last line, which says how the bench was left
def run_command(asked: Asked, *, as_json: bool, json_lines: bool = False) -> int:
    """Run a sequence, or chosen checks of it; returns the exit status."""
    prepared = prepare(asked)
    tell_beforehand(prepared)
    if not json_lines:
        return tell(execute(prepared), as_json=as_json)
    lines = JsonLines()
    if asked.linked:
        from sequencer.cli.screens.linked import LinkedLines

        lines = LinkedLines()
    return tell(execute(prepared, listeners=[lines]), as_json=True, lines=lines)


def tell(ran: Ran, *, as_json: bool, lines: JsonLines | None = None) -> int:
    """Show what came of a run; returns the exit status. ``lines`` were shown while it ran, and the run is the last of them."""
    facts, outcome, record, hazards = ran.facts, ran.outcome, ran.record, ran.hazards
    nowhere = record.kept.nowhere_as_csv() if record.kept is not None else ""
    status = ran.status
    with reader_may_be_gone(sys.stdout) as shown:
        if lines is not None:
            lines.end(as_plain(ran))
        elif as_json:
            click.echo(json.dumps(as_plain(ran), ensure_ascii=False, indent=2))
        else:
            show_run(facts, outcome, str(record.table.path))
            click.echo(nowhere, nl=False)
    words = [*outcome.problems, *(f"witness: {hazard}" for hazard in hazards)]
    if failed := shown.failed or (lines.failed if lines is not None else ""):
        status = max(status, ExitStatus.BENCH_FAILED)
        words.append(_cut_short(failed, record))
    words += [*filter(None, (ran.batch_stopped,)), outcome.safe_state.last_line()]
    with reader_may_be_gone(sys.stderr) as said:
        if as_json or shown.failed:
            click.echo(nowhere, nl=False, err=True)
        click.echo("\n".join(words), err=True)
    if said.failed and not as_json:  # JSON holds them already
        with reader_may_be_gone(sys.stdout):
            click.echo("\n".join(words))
    return int(status)


def _cut_short(why: str, record: Record) -> str:
    """Return that standard output holds not all of what was shown there, and where the results stand, as it was read back."""
    text = f"Standard output could not be written to: {why}. What stands there is cut short."
    if record.kept is None or not record.kept.whole:
        return text
    return f"{text} {record.kept.said()}"


def as_plain(ran: Ran) -> dict[str, Any]:
    """Return a run as plain values, for JSON."""
    facts, outcome, record, hazards = ran.facts, ran.outcome, ran.record, ran.hazards
    sequence, bench = facts.plan.sequence, facts.plan.bench
    return {
        "run": facts.run,
        "time": facts.time.isoformat(timespec="milliseconds"),
        "serial": facts.serial,
        "model": facts.model,
        "sequence": sequence.sequence.sequence,
        "sequence_hash": sequence.hash,
        "model_hash": sequence.model_hash,
        "simulated": facts.simulated,
        "bench": facts.bench_name,
        "bench_hash": bench.hash,
        "rule": str(sequence.sequence.rule),
        "part": ", ".join(facts.plan.only),
        "again": facts.again.run if facts.again is not None else "",
        "reason": facts.again.reason if facts.again is not None else "",
        **facts.line.as_plain(),
        "status": int(outcome.status),
        "verdict": verdict_line(outcome),
        "batch_stopped": ran.batch_stopped,
        "bench_safe": outcome.safe_state.confirmed,
        "last_line": outcome.safe_state.last_line(),
        "bench_s": round(outcome.bench_s, 3),
        "forecast_s": round(facts.plan.forecast_s, 3),
        "order": order_as_json(facts.plan),
        "table": str(record.table.path),
        "kept": None if record.kept is None else record.kept.as_plain(),
        "problems": list(outcome.problems),
        "faults": [asdict(one) for one in outcome.faults],
        "hazards": [str(hazard) for hazard in hazards],
        "results": [facts_of(result) for result in outcome.results],
    }
