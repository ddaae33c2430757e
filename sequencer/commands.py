"""What each command does, once its words are read."""

from __future__ import annotations

import json
import sys
import uuid
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

import click

from sequencer.complaint import Complaint, FileProblems, printable
from sequencer.loading import LoadedBench, bench_parts, load_bench, load_sequence
from sequencer.open_bench import BenchParts
from sequencer.plan import Plan, make_plan
from sequencer.record import Record, RunFacts, check_model, check_serial
from sequencer.results import row_of
from sequencer.runner import Confirmer, ExitStatus, Runner, RunOutcome
from sequencer.signals import stoppable


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
            return click.confirm(f"{printable(text)} - is that so?", default=None, err=True)
        except click.Abort as abort:
            if isinstance(
                abort.__context__, KeyboardInterrupt
            ):  # click makes one of Ctrl-C and the end of input
                raise abort.__context__ from None
            return False  # end of input: nobody is there to say yes
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
    store: str = "",
    as_json: bool,
) -> int:
    """Run a sequence; returns the exit status."""
    serial, model = check_serial(serial), check_model(model)
    plan = make_plan(load_sequence(sequence_name), load_bench(bench_name), serial=serial)
    if plan.confirmations and not confirmed and not _is_terminal(sys.stdin):
        raise _nobody_to_ask(plan)
    by_hand = [name for name, entry in plan.bench.bench.instruments.items() if entry.manual and not dry_run]
    if by_hand and not _is_terminal(sys.stdin):
        raise _nobody_to_operate(plan, by_hand)
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
        bench_name=_bench_title(plan.bench, dry_run=simulated),
        plan=plan,
    )
    with stoppable():  # also while results are shown: the last line says how the bench was left
        return _run_and_tell(
            plan,
            parts,
            facts,
            folder,
            store=store,
            confirmed=confirmed,
            by_hand=bool(by_hand),
            as_json=as_json,
        )


def _run_and_tell(
    plan: Plan,
    parts: BenchParts,
    facts: RunFacts,
    folder: Path,
    *,
    store: str,
    confirmed: bool,
    by_hand: bool,
    as_json: bool,
) -> int:
    from rich.console import Console

    from sequencer.screen import ProgressScreen, results_table, run_lines
    from sequencer.terminal_person import TerminalPerson

    console = Console(stderr=True)
    with Record(folder, facts, store=store) as record, ProgressScreen(console) as screen:
        confirmer: Confirmer = GivenBeforehand() if confirmed else AskedAtTerminal(screen)
        if by_hand:
            parts = replace(parts, person=TerminalPerson(screen))
        outcome = Runner(plan, parts, record, confirmer, [screen]).run()
    hazards = parts.simulation.hazards if parts.simulation is not None else ()
    if as_json:
        click.echo(json.dumps(_as_json(facts, outcome, record, hazards), ensure_ascii=False, indent=2))
    else:
        title = f"{plan.sequence.sequence.sequence}: {f'{facts.model} {facts.serial}'.strip()} on {facts.bench_name}"
        shown = Console()
        shown.print(results_table(map(row_of, outcome.results), title, width=shown.width))
        shown.print(
            run_lines(
                run=facts.run,
                rule=str(plan.sequence.sequence.rule),
                table=str(record.table.path),
                bench_s=outcome.bench_s,
                forecast_s=plan.forecast_s,
            ),
            soft_wrap=True,
        )
        shown.print(_verdict(outcome), highlight=False, style="bold")
    for text in (*outcome.trouble, *(f"witness: {hazard}" for hazard in hazards)):
        click.echo(text, err=True)
    click.echo(outcome.safe_state.last_line(), err=True)
    return int(max(outcome.status, ExitStatus.BENCH_FAILED) if hazards else outcome.status)


def validate_command(sequence_name: str, bench_name: str, *, as_json: bool) -> None:
    """Prove a sequence on a bench and print the plan."""
    from sequencer.screen import plan_lines, time_text

    try:
        plan = make_plan(load_sequence(sequence_name), load_bench(bench_name))
    except FileProblems as problems:
        if as_json:
            complaints = [asdict(one) for one in problems.complaints]
            click.echo(json.dumps({"valid": False, "complaints": complaints}, ensure_ascii=False, indent=2))
        raise
    if as_json:
        click.echo(json.dumps(_plan_as_json(plan), ensure_ascii=False, indent=2))
        return
    for line in plan_lines(plan):
        click.echo(line)
    asked = f", and asks for {plan.confirmations} confirmation(s)" if plan.confirmations else ""
    click.echo(
        f"{printable(plan.sequence.sequence.sequence)}: can be run on {printable(_bench_title(plan.bench))}; "
        f"takes about {time_text(plan.forecast_s)} of bench time{asked}."
    )


def _plan_as_json(plan: Plan) -> dict[str, Any]:
    return {
        "valid": True,
        "sequence": plan.sequence.sequence.sequence,
        "sequence_hash": plan.sequence.hash,
        "bench": _bench_title(plan.bench),
        "bench_hash": plan.bench.hash,
        "simulated": plan.bench.bench.simulated,
        "rule": str(plan.sequence.sequence.rule),
        "confirmations": plan.confirmations,
        "forecast_s": round(plan.forecast_s, 3),
        "steps": [
            {
                "index": step.index,
                "label": step.label,
                "check": step.check.name,
                "side": step.check.side,
                "channel": step.conditions.channel,
                "frequency_hz": step.conditions.frequency_hz,
                "mode": step.conditions.mode,
                "forecast_s": round(step.forecast_s, 3),
            }
            for step in plan.steps
        ],
    }


def identify_command(bench_name: str, *, dry_run: bool, as_json: bool) -> int:
    """Ask every instrument who it is; returns the exit status."""
    from sequencer.identify import identify_bench
    from sequencer.terminal_person import TerminalPerson

    loaded = load_bench(bench_name)
    parts = bench_parts(loaded, serial=_any_serial(loaded), dry_run=dry_run)
    if parts.simulation is None and _is_terminal(
        sys.stdin
    ):  # whoever works an instrument confirms that it is left safe
        parts = replace(parts, person=TerminalPerson())
    found = identify_bench(parts)
    if as_json:
        said = {
            "bench": _bench_title(loaded, dry_run=dry_run),
            "simulated": dry_run or loaded.bench.simulated,
            "instruments": [one.as_plain() for one in found],
        }
        click.echo(json.dumps(said, ensure_ascii=False, indent=2))
    else:
        click.echo(printable(_bench_title(loaded, dry_run=dry_run)))
        for one in found:
            for line in str(one).splitlines():
                click.echo(printable(line))
    return int(ExitStatus.PASSED if all(one.sound for one in found) else ExitStatus.BENCH_FAILED)


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


def _nobody_to_operate(plan: Plan, names: list[str]) -> FileProblems:
    return FileProblems(
        [
            plan.bench.source.complain(
                ("instruments", names[0], "driver"),
                f"a person sets and reads {' and '.join(names)}, and there is no terminal to ask at",
                allowed="a terminal; or --dry-run, which asks nobody",
            )
        ]
    )


def _new_run(simulated: bool) -> str:
    stamp = datetime.now().astimezone().strftime("%Y%m%dT%H%M%S")
    return f"{stamp}-{uuid.uuid4().hex[:6]}{'-simulated' if simulated else ''}"


def _bench_title(loaded: LoadedBench, *, dry_run: bool = False) -> str:
    return loaded.bench.bench + (" (simulated)" if dry_run or loaded.bench.simulated else "")


def _is_terminal(stream: TextIO | None) -> bool:
    return stream is not None and not stream.closed and stream.isatty()


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


def _as_json(
    facts: RunFacts, outcome: RunOutcome, record: Record, hazards: tuple[Any, ...]
) -> dict[str, Any]:
    sequence, bench = facts.plan.sequence, facts.plan.bench
    return {
        "run": facts.run,
        "time": facts.time.isoformat(timespec="milliseconds"),
        "serial": facts.serial,
        "model": facts.model,
        "sequence": sequence.sequence.sequence,
        "sequence_hash": sequence.hash,
        "simulated": facts.simulated,
        "bench": facts.bench_name,
        "bench_hash": bench.hash,
        "rule": str(sequence.sequence.rule),
        "status": int(outcome.status),
        "verdict": _verdict(outcome),
        "bench_safe": outcome.safe_state.confirmed,
        "last_line": outcome.safe_state.last_line(),
        "bench_s": round(outcome.bench_s, 3),
        "forecast_s": round(facts.plan.forecast_s, 3),
        "table": str(record.table.path),
        "trouble": list(outcome.trouble),
        "hazards": [str(hazard) for hazard in hazards],
        "results": [row_of(result) for result in outcome.results],
    }
