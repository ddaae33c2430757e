"""Prepares a run of a sequence, or of chosen checks of it, and makes it."""

from __future__ import annotations

import sys
import uuid
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from sequencer.bench.locks import locks_note
from sequencer.bench.open_bench import BenchParts
from sequencer.cli.common.bench import bench_title, is_terminal, loss_lines, watchdog_lines
from sequencer.cli.common.line_options import LineAsked
from sequencer.cli.common.options import check_model, check_serial
from sequencer.cli.cut_short import cut_short_line
from sequencer.cli.line import OnLine, batch_stopped, line_now, line_of, of_repeat, opened_line
from sequencer.cli.order import order_lines
from sequencer.cli.screens.operator import (
    Chosen,
    People,
    TerminalPerson,
    asked_line,
    no_reason,
    nobody_to_operate,
    refuse_odd_options,
)
from sequencer.frozen import dataclass
from sequencer.inputs.bench_parts.bench_health import bench_serial
from sequencer.planning.doubts.calibration import Doubt
from sequencer.planning.load_both import load_both
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import FileProblems
from sequencer.results.line import BatchRecord, LineFacts
from sequencer.results.store.place import StorePlace, find_place, share_note
from sequencer.run.bench_health.bench_state import doubts_now
from sequencer.run.events import Listener
from sequencer.run.facts import Again, Carried, RunFacts
from sequencer.run.keeping.bench_now import BenchTeller
from sequencer.run.record import Record
from sequencer.run.runner import Runner, RunOutcome
from sequencer.run.status import ExitStatus


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the command line asks of a run; ``run`` is its name, where it was given one beforehand."""

    sequence_name: str
    bench_name: str
    serial: str
    model: str = ""
    confirmed: bool = False
    dry_run: bool = False
    folder: Path
    store: str = ""
    chosen: Chosen = Chosen()
    line: LineAsked = LineAsked()
    run: str = ""
    linked: str = (
        ""  # another process shows it: "person" where somebody can be asked there, "alone" where not
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A run that can begin: its plan, and who answers in it. ``by_hand``: a person works instruments."""

    asked: Asked
    plan: Plan
    people: People
    model: str
    simulated: bool
    by_hand: bool
    again: Again | None
    carried: Carried | None = None
    line: LineFacts = LineFacts()
    batch: BatchRecord | None = None
    opens_batch: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """A run that is over. ``hazards`` is what the witness of a simulated bench saw, ``batch_stopped`` why its batch stops with it."""

    facts: RunFacts
    outcome: RunOutcome
    record: Record
    hazards: tuple[Any, ...]
    batch_stopped: str = ""

    @property
    def status(self) -> ExitStatus:
        """How it ended; a hazard that was seen is a bench that failed."""
        return max(self.outcome.status, ExitStatus.BENCH_FAILED) if self.hazards else self.outcome.status


def tell_beforehand(prepared: Prepared, *, carries_on: bool = False) -> None:
    """Say what should be known before a run begins: its order, loss tables old, overruled or too short, what does not hold if it hangs.

    ``carries_on``: it carries on by itself what was cut short.
    """
    if prepared.opens_batch and prepared.batch is not None:
        click.echo(opened_line(prepared.batch), err=True)
    for line in (*order_lines(prepared.plan), *loss_lines(prepared.plan, old_only=True)):
        click.echo(line, err=True)
    if note := share_note(find_place(prepared.asked.folder, prepared.asked.store)):
        click.echo(note, err=True)
    if not prepared.asked.dry_run and prepared.plan.bench.bench.visa != "sim":
        for line in filter(None, (*watchdog_lines(prepared.plan, warnings_only=True), locks_note())):
            click.echo(line, err=True)
    if not carries_on and (
        line := cut_short_line(
            prepared.asked.folder,
            find_place(prepared.asked.folder, prepared.asked.store),
            prepared.plan,
            simulated=prepared.simulated,
        )
    ):
        click.echo(line, err=True)


def prepare(asked: Asked) -> Prepared:
    """Load, plan, and see that whoever is needed is there. Raises FileProblems."""
    chosen = asked.chosen
    serial, model = check_serial(asked.serial), check_model(asked.model)
    refuse_odd_options(chosen, in_batch=bool(asked.line.batch))
    plan = make_plan(
        *load_both(asked.sequence_name, asked.bench_name, serial=serial, model=model),
        serial=serial,
        only=chosen.only,
        order=chosen.order,
    )
    simulated = asked.dry_run or plan.bench.bench.simulated
    people = People(
        plan,
        confirmed=asked.confirmed,
        simulated=simulated,
        terminal=asked.linked == "person" or (not asked.linked and is_terminal(sys.stdin)),
        person=_linked_person() if asked.linked else TerminalPerson,
    )
    people.take_beforehand(chosen.entered)
    by_hand = [
        name for name, entry in plan.bench.bench.instruments.items() if entry.manual and not asked.dry_run
    ]
    if by_hand and not people.terminal:
        raise nobody_to_operate(plan, by_hand)
    place = find_place(asked.folder, asked.store)
    again, line = _asked_again(plan, asked, serial=serial, simulated=simulated, place=place)
    doubts_now(
        plan, place, bench_name=bench_title(plan.bench, dry_run=simulated), simulated=simulated
    )  # refused beforehand, if it is
    if plan.sequence.model is not None and not plan.sequence.model.by_default:
        model = plan.sequence.model.model.model
    asked = replace(asked, serial=serial)
    on_line = (
        OnLine(facts=line)
        if line is not None
        else line_of(
            asked.line,
            plan,
            serial=serial,
            model=model,
            simulated=simulated,
            place=place,
            reason=chosen.reason,
        )
    )
    return Prepared(
        asked=asked,
        plan=plan,
        people=people,
        model=model,
        simulated=simulated,
        by_hand=bool(by_hand),
        again=again,
        line=on_line.facts,
        batch=on_line.batch,
        opens_batch=on_line.opens_batch,
    )


def _linked_person() -> type[TerminalPerson]:
    from sequencer.cli.screens.linked import LinkedPerson

    return LinkedPerson


def _asked_again(
    plan: Plan, asked: Asked, *, serial: str, simulated: bool, place: StorePlace
) -> tuple[Again | None, LineFacts | None]:
    """Return which run is repeated and why, and its place on the line; None where none is. The reason is asked for at a terminal."""
    chosen = asked.chosen
    if not chosen.again:
        return None, None
    from sequencer.run.resuming.repeat import check_reason, find_repeated

    repeated = find_repeated(plan, place, serial=serial, simulated=simulated, of=chosen.of)
    for text in repeated.changed:
        click.echo(text, err=True)
    if chosen.reason is not None:
        again = repeated.because(check_reason(chosen.reason))
        return again, of_repeat(repeated.line, asked.line, again.reason)
    if not is_terminal(sys.stdin):
        raise no_reason()
    while True:
        try:
            again = repeated.because(
                check_reason(asked_line(f"Why is run {repeated.run} repeated? The reason:"))
            )
        except FileProblems as problems:
            click.echo(str(problems), err=True)
        else:
            return again, of_repeat(repeated.line, asked.line, again.reason)


def execute(
    prepared: Prepared,
    *,
    listeners: Sequence[Listener] = (),
    head: str = "",
    said: Sequence[str] = (),
    teller: BenchTeller | None = None,
) -> Ran:
    """Make the run; ``listeners`` hear it too. ``head`` stands before its progress on the screen, in place of a line for each check.

    ``said`` is told once journal, table and store are there to be written to. ``teller`` says in the store what the bench does, where that
    goes on after the run; else the run has its own.
    """
    from sequencer.cli.common.console import console_for
    from sequencer.cli.screens.live_screen import live_person
    from sequencer.cli.screens.screen import ProgressScreen

    plan, people, asked = prepared.plan, prepared.people, prepared.asked
    parts = bench_parts(plan.bench, serial=asked.serial, dry_run=asked.dry_run, sequence=plan.sequence)
    facts = facts_of_run(prepared, parts)
    console = console_for(stderr=True)
    place = find_place(asked.folder, asked.store)
    with (
        Record(asked.folder, facts, store=asked.store) as record,
        nullcontext(teller)
        if teller is not None
        else BenchTeller(
            place,
            bench=facts.bench_name,
            simulated=facts.simulated,
            program="run",
            station=facts.line.station,
        ) as told,
    ):
        told.of_run(plan, batch=facts.line.batch)
        for line in said:
            click.echo(line, err=True)
        with ProgressScreen(console, by_hand=prepared.by_hand, head=head) as screen:
            person = people.person(screen) if people.terminal else None
            if prepared.by_hand:
                parts = replace(parts, person=person)
            runner = Runner(
                plan,
                parts,
                record,
                people.confirmer(screen),
                [screen, told.listen, *listeners],
                cables=people.cables(screen),
                enterer=people.enterer(person),
                live=live_person(screen) if people.terminal and not asked.linked else None,
            )
            outcome = runner.run()
    hazards = parts.simulation.hazards if parts.simulation is not None else ()
    stopped = batch_stopped(facts.batch, place, facts.run)
    return Ran(
        facts=record.facts, outcome=outcome, record=record, hazards=tuple(hazards), batch_stopped=stopped
    )


def facts_of_run(prepared: Prepared, parts: BenchParts) -> RunFacts:
    """Return what every row of the run says alike, as it begins now."""
    model, carried = prepared.model, prepared.carried
    of_bench = prepared.asked.serial == bench_serial(prepared.plan.bench.bench.bench)
    if not model and parts.simulation is not None and not of_bench:
        model = parts.simulation.unit.specimen.model
    begun = carried.read.kept if carried is not None else None
    title = bench_title(prepared.plan.bench, dry_run=prepared.simulated) if begun is None else begun.bench
    doubts, refused = _doubts(prepared, title)
    on_line = _line_now(prepared) if begun is None else OnLine(facts=LineFacts.of(begun))
    return RunFacts(
        run=prepared.asked.run or new_run(prepared.simulated) if begun is None else begun.run,
        time=datetime.now().astimezone() if begun is None else begun.time,
        serial=prepared.asked.serial,
        model=model,
        simulated=prepared.simulated if begun is None else begun.simulated,
        bench_name=title,
        plan=prepared.plan,
        again=prepared.again,
        doubts=doubts,
        refused=refused or on_line.refused,
        line=on_line.facts,
        batch=on_line.batch,
        seen_runs=on_line.seen_runs,
        dry_run=prepared.asked.dry_run,
        model_named=prepared.asked.model,
        carried=carried,
    )


def _line_now(prepared: Prepared) -> OnLine:
    """Return as which attempt the run is made that begins now, and why its batch does not take it any more."""
    asked, before = prepared.asked, OnLine(facts=prepared.line, batch=prepared.batch)
    if prepared.batch is None:
        return before
    return line_now(
        asked.line,
        prepared.plan,
        before=before,
        serial=asked.serial,
        model=prepared.model,
        simulated=prepared.simulated,
        place=find_place(asked.folder, asked.store),
        reason=asked.chosen.reason,
    )


def _doubts(prepared: Prepared, bench_name: str) -> tuple[tuple[Doubt, ...], str]:
    """Return what speaks against the bench as the run begins, and why nothing may be measured: of a series hours after it was asked."""
    place = find_place(prepared.asked.folder, prepared.asked.store)
    try:
        return doubts_now(prepared.plan, place, bench_name=bench_name, simulated=prepared.simulated), ""
    except FileProblems as problems:
        return (), "; ".join(f"{one.message}; {one.hint}" for one in problems.complaints)


def new_run(simulated: bool) -> str:
    """Return a name for a run that begins now."""
    stamp = datetime.now().astimezone().strftime("%Y%m%dT%H%M%S")
    return f"{stamp}-{uuid.uuid4().hex[:6]}{'-simulated' if simulated else ''}"
