"""Replays a stored run: plans it again, goes through its trace, and holds what is found against what was found then.

replayed = replay(read_trace(Path("m40.json.gz")))
assert replayed.is_same, replayed.described()
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import nullcontext
from datetime import datetime

from sequencer.analysis.own_history import OwnHistory
from sequencer.bench.tape import Tape
from sequencer.bench.taped import Departure
from sequencer.frozen import dataclass
from sequencer.planning.plan import Plan
from sequencer.problems import about_file
from sequencer.results.line import LineFacts
from sequencer.results.model import Result
from sequencer.run.bench_health.history import find_history
from sequencer.run.facts import Again, Evaluated, RunFacts
from sequencer.run.interrupt import apart, stoppable
from sequencer.run.keeping.keeper import Earlier, InMemory
from sequencer.run.record import Record
from sequencer.run.replay.compare import Compared, Fate, compared
from sequencer.run.replay.evaluate import Anew
from sequencer.run.replay.files import planned
from sequencer.run.replay.openings import Opening, openings
from sequencer.run.replay.source import Source
from sequencer.run.replay.through import GoneThrough, go_through, matched_steps
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.units.format import counted

MakeRecord = Callable[[RunFacts], Record]


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """What came of a replay. ``changed`` names the files that are not those of the run; ``record`` is that of a re-evaluation.

    ``departure`` is where today's code first did something else than then; None where it asked the same throughout.
    """

    source: Source
    changed: tuple[str, ...]
    results: tuple[Compared, ...]
    departure: Departure | None
    departed_check: str
    outcome: RunOutcome
    is_exact: bool
    problems: tuple[str, ...] = ()
    record: Record | None = None

    @property
    def is_same(self) -> bool:
        """Whether every result and decision is the same, and nothing else was asked."""
        return self.departure is None and all(one.fate is Fate.SAME for one in self.results)

    def counts(self) -> str:
        """Return in words how many results are the same, and what became of the others."""
        fates = Counter(one.fate for one in self.results)
        known = sum(one.then is not None for one in self.results)
        said = [f"{fates[Fate.SAME]} of {counted(known, 'result')} the same"]
        said += [
            f"{fates[fate]} {'differ' if fate is Fate.DIFFERS and fates[fate] > 1 else fate.value}"
            for fate in Fate
            if fate is not Fate.SAME and fates[fate]
        ]
        return ", ".join(said)

    def described(self) -> str:
        """Return in words what is not the same, for a test's message."""
        said = [f"run {self.source.run.run}: {self.counts()}"]
        if (at := self.departure) is not None:
            said.append(
                f"message {at.place} (check {at.check_index}): then {at.then or 'nothing more'}; now {at.now or 'nothing more'}"
            )
        said += [
            f"{one.result.check} {one.result.quantity}: {one.fate.value}"
            for one in self.results
            if one.fate is not Fate.SAME
        ]
        return "\n".join(said)


def replay(
    source: Source,
    *,
    sequence_name: str = "",
    bench_name: str = "",
    make_record: MakeRecord | None = None,
    new_run: str = "",
) -> Replayed:
    """Replay a run. Raises InputError where it cannot be planned, or what people did in it is missing.

    ``sequence_name`` and ``bench_name`` name files in place of those that the run kept. Where they are others than those of the run, its
    readings are judged anew by them: ``make_record`` then makes the record of a run ``new_run`` of its own.
    """
    with planned(source, sequence_name=sequence_name, bench_name=bench_name) as files:
        plan = files.plan
        steps = matched_steps(plan, files.then, source) if files.changed else None
        parts = openings(source)
        if files.changed and len(parts) > 1:
            raise about_file(
                f"run {source.run.run}",
                "cannot be judged anew: it was cut short and carried on",
                allowed="the files that it ran with; or a run that was made in one go",
            )
        record = None
        if files.changed and make_record is not None:
            record = make_record(_facts_anew(source, plan, new_run))
        with record or nullcontext():
            gone = [_cut_short(one, plan) for one in parts[:-1]]
            gone.append(_gone_through(parts[-1], plan, record, steps))
    tapes = [one.through.tape for one in gone]
    departure = next((one for one in map(_departure, parts, tapes) if one is not None), None)
    labels = {step.index: step.label for step in plan.steps}
    return Replayed(
        source=source,
        changed=files.changed,
        results=tuple(
            held
            for part, one in zip(parts, gone, strict=True)
            for held in _held(part.source, one.keeper.results, one.through.tape, steps)
        ),
        departure=departure,
        departed_check=labels.get(departure.check_index, "") if departure is not None else "",
        outcome=gone[-1].through.outcome,
        is_exact=all(tape.is_exact for tape in tapes),
        problems=tuple(problem for one in gone for problem in one.keeper.problems),
        record=record,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gone:
    """One opening gone through, and who kept what was found."""

    through: GoneThrough
    keeper: InMemory


def _cut_short(part: Opening, plan: Plan) -> _Gone:
    """Go through an opening that another followed. Raises Interrupted where somebody stops that now."""
    with apart():
        gone = _gone_through(part, plan, None, None)
    if gone.through.outcome.status is ExitStatus.INTERRUPTED and not gone.through.stopped_then:
        with stoppable() as stopper:
            stopper.ask("SIGINT")
            stopper.check()
    return gone


def _gone_through(
    part: Opening, plan: Plan, record: Record | None, steps: Mapping[int, int | None] | None
) -> _Gone:
    keepers: list[InMemory] = []
    source, here = part.source, part.plan(plan)

    def keeper(tape: Tape) -> InMemory:
        facts = dataclasses.replace(_facts(source, here), said_then=part.said_then)
        earlier = _earlier(source, facts)
        keepers.append(InMemory(facts, earlier) if record is None else Anew(record, tape, earlier=earlier))
        return keepers[0]

    return _Gone(through=go_through(source, here, keeper, steps=steps), keeper=keepers[0])


def _departure(part: Opening, tape: Tape) -> Departure | None:
    """Return where today's code departs first in one opening, counted in the trace of the whole run."""
    if not tape.departures:
        return None
    first = tape.departures[0]
    return dataclasses.replace(first, place=first.place + part.begins)


def _held(
    source: Source,
    now: Mapping[int, list[Result]],
    tape: Tape,
    steps: Mapping[int, int | None] | None,
) -> list[Compared]:
    """Return each result beside the one of then; where the checks are others, by the number that each had then."""
    found = [(index, one) for index, results in now.items() for one in results]
    if (
        source.was_stopped
    ):  # what the check that was stopped would have come to, where all its messages are there
        ended = {index for index, _ in source.results}
        found = [(index, one) for index, one in found if index in ended]
    if steps is None:
        there = {index for index, _ in found}
        ended = {index for index, _ in source.results if index not in there} if tape.departures else set()
        return compared(source.results, found, tape.lost | ended)
    to_then = {index: then if then is not None else -1 - index for index, then in steps.items()}
    return compared(
        source.results,
        [(to_then.get(index, index), one) for index, one in found],
        {to_then.get(index, index) for index in tape.lost if steps.get(index) is not None},
    )


def _earlier(source: Source, facts: RunFacts) -> Earlier | None:
    """Return what looks up what the store held before the run; None where it stands in a file by itself."""
    if (place := source.place) is None:
        return None

    def find(serial: str, check: str) -> OwnHistory:
        found = find_history(place, facts, source.instruments, serial=serial, check=check)
        return dataclasses.replace(found, rows=tuple(row for row in found.rows if row.time < source.run.time))

    return find


def _facts(source: Source, plan: Plan) -> RunFacts:
    run = source.run
    return RunFacts(
        run=run.run,
        time=run.time,
        serial=run.serial,
        model=run.model,
        simulated=run.simulated,
        bench_name=run.bench,
        plan=plan,
        again=Again(run=run.again, reason=run.reason) if run.again else None,
        line=LineFacts.of(run),
        model_named=source.asked("model"),
    )


def _facts_anew(source: Source, plan: Plan, name: str) -> RunFacts:
    run = source.run
    suffix = " (simulated)" if run.simulated else ""
    return RunFacts(
        run=name,
        time=datetime.now().astimezone(),
        serial=run.serial,
        model=run.model,
        simulated=run.simulated,
        bench_name=f"{plan.bench.bench.bench}{suffix}",
        plan=plan,
        model_named=source.asked("model"),
        line=LineFacts.of(run),
        evaluated=Evaluated(
            run=run.run,
            time=run.time.isoformat(timespec="milliseconds"),
            sequence_hash=run.sequence_hash,
            bench_hash=run.bench_hash,
        ),
    )
