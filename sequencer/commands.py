"""What each command does, once its words are read."""

from __future__ import annotations

import json
import sys
import uuid
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from sequencer.complaint import Complaint, FileProblems
from sequencer.loading import LoadedBench, bench_parts, load_bench, load_sequence
from sequencer.plan import Plan, make_plan
from sequencer.record import Record, RunFacts, check_serial
from sequencer.results import row_of
from sequencer.runner import Confirmer, ExitStatus, Runner, RunOutcome


class GivenBeforehand:
    """Confirmations stated with --confirmed, for an unattended run."""

    how = "stated beforehand with --confirmed"

    def confirm(self, text: str) -> bool:
        """Return yes: the one who started the run has said so."""
        return True


class AskedAtTerminal:
    """Confirmations asked of the person at the terminal."""

    how = "confirmed at the terminal"

    def __init__(self, screen: Any) -> None:
        self._screen = screen

    def confirm(self, text: str) -> bool:
        """Ask, and return the answer."""
        self._screen.pause()
        try:
            return click.confirm(f"{text} - is that so?", default=None, err=True)
        except click.Abort:  # end of input: nobody is there to say yes
            return False
        finally:
            self._screen.resume()


def run_command(
    sequence_name: str,
    bench_name: str,
    *,
    serial: str,
    model: str,
    confirmed: bool,
    dry_run: bool,
    folder: Path,
    as_json: bool,
) -> int:
    """Run a sequence; returns the exit status."""
    from rich.console import Console

    from sequencer.screen import ProgressScreen, results_table, time_text

    serial = check_serial(serial)
    plan = make_plan(load_sequence(sequence_name), load_bench(bench_name), serial=serial)
    if plan.confirmations and not confirmed and not sys.stdin.isatty():
        raise _nobody_to_ask(plan)
    parts = bench_parts(plan.bench, serial=serial, dry_run=dry_run)
    simulated = parts.simulation is not None
    if parts.simulation is not None:
        model = model or parts.simulation.unit.specimen.model
    facts = RunFacts(
        run=_new_run(simulated),
        time=datetime.now().astimezone(),
        serial=serial,
        model=model,
        simulated=simulated,
        bench_name=plan.bench.bench.bench + (" (simulated)" if simulated else ""),
        plan=plan,
    )
    console = Console(stderr=True)
    with Record(folder, facts) as record, ProgressScreen(console) as screen:
        confirmer: Confirmer = GivenBeforehand() if confirmed else AskedAtTerminal(screen)
        outcome = Runner(plan, parts, record, confirmer, [screen]).run()
    hazards = parts.simulation.hazards if parts.simulation is not None else ()
    if as_json:
        click.echo(json.dumps(_as_json(facts, outcome, record), ensure_ascii=False, indent=2))
    else:
        title = f"{plan.sequence.sequence.sequence}: {model} {serial} on {facts.bench_name}"
        screen_out = Console()
        screen_out.print(results_table(map(row_of, outcome.results), title))
        screen_out.print(
            f"rule {plan.sequence.sequence.rule}; bench time {time_text(outcome.bench_s)} "
            f"(forecast {time_text(plan.forecast_s)}); run {facts.run}",
            highlight=False,
        )
        screen_out.print(f"table {record.table.path}", highlight=False, soft_wrap=True)
        screen_out.print(_verdict(outcome), highlight=False, style="bold")
    for text in (*outcome.trouble, *(f"witness: {hazard}" for hazard in hazards)):
        click.echo(text, err=True)
    click.echo(outcome.safe_state.last_line(), err=True)
    return int(max(outcome.status, ExitStatus.BENCH_FAILED) if hazards else outcome.status)


def validate_command(sequence_name: str, bench_name: str, *, as_json: bool) -> None:
    """Prove a sequence on a bench and print the plan."""
    from sequencer.screen import time_text

    plan = make_plan(load_sequence(sequence_name), load_bench(bench_name))
    if as_json:
        steps = [
            {
                "index": step.index,
                "check": step.check.name,
                "channel": step.conditions.channel,
                "frequency_hz": step.conditions.frequency_hz,
                "forecast_s": round(step.forecast_s, 3),
            }
            for step in plan.steps
        ]
        click.echo(
            json.dumps({"valid": True, "forecast_s": round(plan.forecast_s, 3), "steps": steps}, indent=2)
        )
        return
    for step in plan.steps:
        click.echo(f"{step.index:3}  {step.label}  ({time_text(step.forecast_s)})")
    asked = f", and asks for {plan.confirmations} confirmation(s)" if plan.confirmations else ""
    click.echo(
        f"{plan.sequence.sequence.sequence}: can be run on {plan.bench.bench.bench}; "
        f"takes about {time_text(plan.forecast_s)} of bench time{asked}."
    )


def identify_command(bench_name: str, *, dry_run: bool, as_json: bool) -> int:
    """Ask every instrument who it is; returns the exit status."""
    from sequencer.identify import identify_bench

    loaded = load_bench(bench_name)
    found = identify_bench(bench_parts(loaded, serial=_any_serial(loaded), dry_run=dry_run))
    if as_json:
        click.echo(json.dumps([one.as_plain() for one in found], indent=2))
    else:
        simulated = " (simulated)" if dry_run or loaded.bench.simulated else ""
        click.echo(f"{loaded.bench.bench}{simulated}")
        for one in found:
            click.echo(str(one))
    return int(ExitStatus.PASSED if all(one.sound for one in found) else ExitStatus.BENCH_FAILED)


def results_command(
    run_name: str | None, *, serial: str | None, budget: bool, folder: Path, as_json: bool
) -> int:
    """List runs, or show one; returns the exit status."""
    from rich.console import Console
    from rich.table import Table

    from sequencer.screen import results_table

    with _open_store(folder) as store:
        runs = store.read_runs(serial=serial, limit=50)
        if run_name is None:
            if as_json:
                click.echo(json.dumps(runs, indent=2))
                return 0
            table = Table("run", "time", "unit", "sequence", "bench", "outcome", header_style="bold")
            for one in runs:
                unit = f"{one['model']} {one['serial']}".strip()
                table.add_row(one["run"], one["time"], unit, one["sequence"], one["bench"], one["outcome"])
            Console().print(table)
            return 0
        run = _find_run(run_name, runs, folder, store)
        rows = store.read_results(run["run"])
    if as_json:
        click.echo(json.dumps({**run, "results": rows}, ensure_ascii=False, indent=2))
        return 0
    console = Console()
    console.print(
        results_table(
            rows, f"{run['sequence']}: {run['model']} {run['serial']} on {run['bench']}, {run['time']}"
        )
    )
    if budget:
        _print_budgets(rows)
    return 0


def trace_command(run_name: str, *, check_index: int | None, folder: Path, as_json: bool) -> int:
    """Show what was exchanged in a run; returns the exit status."""
    with _open_store(folder) as store:
        run = _find_run(run_name, store.read_runs(limit=50), folder, store)
        exchanges = store.read_exchanges(run["run"], check_index)
    for one in exchanges:
        content = one["content"].decode("ascii", "backslashreplace")
        if as_json:
            click.echo(json.dumps({**one, "content": content}, ensure_ascii=True))
        else:
            shown = content.replace("\n", "\\n").replace("\r", "\\r")
            fault = f"  FAULT {one['fault']}" if one["fault"] else ""
            click.echo(
                f"{one['check_index']:3} {one['time_s']:10.4f} s  {one['instrument']:20} {one['direction']:8} {shown}{fault}"
            )
    return 0


def schema_command(kind: str | None, into: Path | None) -> None:
    """Write JSON Schemas."""
    from sequencer.schemas import schemas

    found = schemas()
    if into is not None:
        try:
            into.mkdir(parents=True, exist_ok=True)
            for name, one in found.items():
                path = into / f"{name}.schema.json"
                path.write_text(json.dumps(one, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
                click.echo(str(path))
        except OSError as error:
            raise FileProblems(
                [
                    Complaint(
                        file=str(into),
                        line=0,
                        column=0,
                        message=f"cannot be written: {error.strerror}",
                        allowed="a folder that can be written",
                    )
                ]
            ) from error
    else:
        wanted = found if kind is None else found[kind]
        click.echo(json.dumps(wanted, indent=2, ensure_ascii=False))


def simulate_command(bench_name: str, *, serial: str, port: int, write_bench: Path | None) -> int:
    """Serve a simulated bench until interrupted; returns the exit status."""
    from sequencer.serving import serve_bench

    loaded = load_bench(bench_name)
    return serve_bench(loaded, serial=serial or _any_serial(loaded), port=port, write_bench=write_bench)


def _nobody_to_ask(plan: Plan) -> FileProblems:
    asked = next(step for step in plan.steps if step.check.name == "confirm")
    return FileProblems(
        [
            plan.sequence.source.complain(
                asked.at,
                f"this sequence asks for {plan.confirmations} confirmation(s), and there is no terminal to ask at",
                allowed="a terminal, or --confirmed if everything it asks for has been set",
            )
        ]
    )


def _new_run(simulated: bool) -> str:
    stamp = datetime.now().astimezone().strftime("%Y%m%dT%H%M%S")
    return f"{stamp}-{uuid.uuid4().hex[:6]}{'-simulated' if simulated else ''}"


def _any_serial(loaded: LoadedBench) -> str:
    from sequencer.loading import shelf_serials

    return next(iter(shelf_serials(loaded)), "none")


def _verdict(outcome: RunOutcome) -> str:
    words = {
        ExitStatus.PASSED: "All limits met.",
        ExitStatus.FAILED: "Not all limits met.",
        ExitStatus.BENCH_FAILED: "The bench failed; see below.",
        ExitStatus.INTERRUPTED: "Interrupted; what was measured is kept.",
    }
    return words.get(outcome.status, "")


def _as_json(facts: RunFacts, outcome: RunOutcome, record: Record) -> dict[str, Any]:
    return {
        "run": facts.run,
        "serial": facts.serial,
        "model": facts.model,
        "simulated": facts.simulated,
        "bench": facts.bench_name,
        "status": int(outcome.status),
        "bench_safe": outcome.safe_state.confirmed,
        "bench_s": round(outcome.bench_s, 3),
        "table": str(record.table.path),
        "trouble": list(outcome.trouble),
        "results": [row_of(result) for result in outcome.results],
    }


def _open_store(folder: Path) -> Any:
    from sequencer.record import STORE_NAME
    from sequencer.store import Store, StoreProblem

    path = folder / STORE_NAME
    if not path.is_file():
        raise FileProblems(
            [
                Complaint(
                    file=str(path),
                    line=0,
                    column=0,
                    message="there is no store here",
                    allowed="a folder that runs were written to",
                    hint="name it with --results",
                )
            ]
        )
    try:
        return Store.open(path)
    except StoreProblem as problem:
        raise FileProblems([Complaint(file=str(path), line=0, column=0, message=str(problem))]) from problem


def _find_run(name: str, runs: list[dict[str, Any]], folder: Path, store: Any) -> dict[str, Any]:
    from sequencer.complaint import nearest

    if name == "last" and runs:
        return runs[0]
    found: dict[str, Any] | None = store.read_run(name)
    if found is not None:
        return found
    alike = nearest(name, [one["run"] for one in runs])
    raise FileProblems(
        [
            Complaint(
                file=str(folder),
                line=0,
                column=0,
                message=f"no run {name!r} in this store",
                allowed="'last', or a run that 'sequencer results' lists",
                hint=f"did you mean {alike[0]}?" if alike else "",
            )
        ]
    )


def _print_budgets(rows: list[dict[str, Any]]) -> None:
    from sequencer.budget_rows import from_plain, table

    for row in rows:
        if row["budget"] is not None:
            where = "" if row["channel"] is None else f", channel {row['channel']}"
            click.echo(f"\n{row['check']}{where}\n{table(from_plain(row['budget']))}")
