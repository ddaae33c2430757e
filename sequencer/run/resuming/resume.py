"""Carrying a run on that was cut short: what was finished stands, what was not is measured.

What the unit and its knobs have gone through meanwhile is taken as unknown.

*Finished* is a check whose results are all in the journal. One that was cut short is measured anew. So is one that an instrument's fault
kept from being measured; what was said of it before stays in table and store and does not count.

*Confirmations* are asked for again, each that stands before a check still to be measured: nobody knows what has been turned meanwhile.
Readings that a person entered are kept.

*The unit* had no supply while nothing was measured: what depends on how warm it is says so in its note.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from drivers.roles import Identity
from sequencer.frozen import dataclass
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.doubts.unproved import unheld_checks
from sequencer.planning.load import LoadedSequence
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step
from sequencer.problems import Complaint, printable
from sequencer.results.journal import JournalRead
from sequencer.results.model import BenchInstrument, Result
from sequencer.run.facts import Carried, Finished
from sequencer.run.keeping.inputs import DEEP, input_hashes
from sequencer.run.resuming.taken_up import more_in_table
from sequencer.uncertainty.decision import Decision

_AGAIN = "measured again when the run was resumed: before, "
_COLD = "the unit started cold: it had been without supply while the run was cut short"
_CUT = "measured anew: the run was cut short in this check"
_HELD = "a carrier of the spectrum analyser was held against the power meter before the run was cut short, and not since"
_ADJUSTED = "what is as found here was found after an adjusting that was cut short"
_NOT_IN_JOURNAL = (
    "measured anew: what was found before stands in the table, but the journal could not be written"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What is left of a run: ``plan`` holds the steps still to be made. ``said`` says what is measured again and why, a line each."""

    plan: Plan
    carried: Carried
    said: tuple[str, ...]

    @property
    def is_nothing(self) -> bool:
        """Whether nothing is left, and the bench was left safe when the run ended."""
        kept = self.carried.read.kept
        return not self.plan.steps and bool(self.carried.read.outcome) and kept.bench_safe is True


def what_is_left(read: JournalRead, plan: Plan) -> Left:
    """Return what of ``plan`` is left to be measured."""
    finished, faulted = _told_apart(read)
    due = [step for step in plan.steps if step.check.name != "confirm" and step.index not in finished]
    last = max((at for at, step in enumerate(plan.steps) if step in due), default=-1)
    steps = tuple(
        step
        for at, step in enumerate(plan.steps)
        if step.index not in finished or (step.check.name == "confirm" and at < last)
    )
    began = {*read.cut, *read.under_way}
    more = more_in_table(read)
    in_table = {step.index for step in due if any(_is_of(step, row) for row in more)}
    planned = {
        step.index for step in plan.steps
    }  # what is known of the bench before all of them is looked at anew
    unheld = unheld_checks(steps) if read.held is not None else ()
    notes = {step.index: _note(step, plan, finished, began, faulted, in_table, unheld) for step in due}
    carried = Carried(
        read=read,
        finished=tuple(one for one in finished.values() if one.index in planned),
        notes={index: note for index, note in notes.items() if note},
        found_notes={one.check_index: one.note for one in read.adjusting},
    )
    return Left(
        plan=replace(plan, steps=steps),
        carried=carried,
        said=(
            *_said(steps, plan, finished, began, faulted, in_table),
            *(line for one in read.adjusting for line in one.said),
        ),
    )


def _is_of(step: Step, row: Mapping[str, str]) -> bool:
    """Say whether a row of the table is of a step."""
    channel = "" if step.conditions.channel is None else str(step.conditions.channel)
    return (row["check"], row["channel"]) == (step.check.name, channel)


def _told_apart(read: JournalRead) -> tuple[dict[int, Finished], dict[int, Result]]:
    """Return the checks that are finished, by their numbers, and of those that a fault spoilt a result that says which."""
    finished: dict[int, Finished] = {}
    faulted: dict[int, Result] = {}
    for check in read.kept.checks:
        if not check.results:
            continue
        index, on_unit = check.check_index, read.on_unit[check.check_index]
        finished.pop(index, None)
        faulted.pop(index, None)
        spoilt = [
            one
            for one, of_unit in zip(check.results, on_unit, strict=False)
            if one.decision is Decision.NOT_MEASURED and one.fault is not None and not of_unit
        ]
        not_given = check.results[0].check == "confirm" and check.results[-1].value != 1.0
        if spoilt:
            faulted[index] = spoilt[0]
        elif index not in read.cut and not not_given:
            finished[index] = Finished(index=index, results=check.results, on_unit=on_unit)
    return finished, faulted


def _note(
    step: Step,
    plan: Plan,
    finished: Mapping[int, object],
    began: set[int],
    faulted: Mapping[int, Result],
    in_table: set[int],
    unheld: Sequence[str],
) -> str:
    """Return what the results of a step say of its run having been cut short."""
    found = []
    if step.index in faulted and (fault := faulted[step.index].fault) is not None:
        found.append(f"{_AGAIN}{fault.instrument} failed ({fault.kind})")
    elif step.index in in_table:
        found.append(_NOT_IN_JOURNAL)
    elif step.index in began:
        found.append(_CUT)
    if _is_colder(step, plan, finished):
        found.append(_COLD)
    if step.check.name in unheld:
        found.append(_HELD)
    if step.check.name == "adjust" and step.index in began:
        found.append(_ADJUSTED)
    return "; ".join(found)


def note_in(note: str) -> str:
    """Return what a stored note says of its run having been cut short, as `what_is_left` had it said; empty for nothing."""
    begins = [
        at for one in (_AGAIN, _CUT, _NOT_IN_JOURNAL, _COLD, _HELD, _ADJUSTED) if (at := note.find(one)) >= 0
    ]
    return note[min(begins) :] if begins else ""


def _is_colder(step: Step, plan: Plan, finished: Mapping[int, object]) -> bool:
    """Say whether the unit may be colder for a step than it would have been had the run gone through."""
    depends_on = step.check.depends_on
    if step.side == "none" or (depends_on is not None and not depends_on):
        return False
    return any(one.index in finished and one.side not in ("none", "loss") for one in plan.steps)


def _said(
    steps: Iterable[Step],
    plan: Plan,
    finished: Mapping[int, Finished],
    began: set[int],
    faulted: Mapping[int, Result],
    in_table: set[int],
) -> Iterable[str]:
    measured = [step for step in steps if step.check.name != "confirm"]
    of_run = [step for step in plan.steps if step.check.name != "confirm"]
    done = [step for step in of_run if step.index in finished]
    yield f"{len(done)} of {len(of_run)} checks were finished and stand; {len(measured)} are measured now."
    for step in measured:
        if step.index in faulted and (fault := faulted[step.index].fault) is not None:
            yield f"{step.label} is measured again: {printable(fault.instrument)} had failed ({printable(fault.what)})."
        elif step.index in began - in_table:
            yield f"{step.label} is measured again from its beginning: the run was cut short in it."
    if only_there := [step.label for step in measured if step.index in in_table - set(faulted)]:
        yield (
            f"{_some(only_there)}: results stand in the table and not in the journal, which could not be written, so that nobody can say "
            "whether they are all; they are measured again."
        )
    if again := [step for step in steps if step.check.name == "confirm" and step.index in finished]:
        given = "1 confirmation is" if len(again) == 1 else f"{len(again)} confirmations are"
        yield f"{given} asked for again: nobody knows what was turned meanwhile."
    if cold := [step.label for step in measured if _is_colder(step, plan, finished)]:
        yield f"The unit starts cold: {_some(cold)} may depend on that, and the results say so."


def _some(labels: Sequence[str]) -> str:
    return ", ".join(labels[:3]) + (f" and {len(labels) - 3} more" if len(labels) > 3 else "")


def others_now(before: Iterable[BenchInstrument], now: Mapping[str, Identity]) -> str:
    """Return which instruments are not those that the run began with, in words; empty for none."""
    changed = [
        f"{one.name} was {one.maker} {one.model}, serial {one.serial}, and is {who.maker} {who.model}, serial {who.serial}"
        for one in before
        if (who := now.get(one.name)) is not None
        and (one.maker, one.model, one.serial) != (who.maker, who.model, who.serial)
    ]
    return printable("; ".join(changed))


def changed_inputs(read: JournalRead, plan: Plan) -> list[Complaint]:
    """Return what else than sequence, bench and model is another than at the beginning: a channel plan, a profile, a loss table."""
    then, now = read.head.inputs, input_hashes(plan)
    return [
        Complaint(
            file=place.removeprefix(f"{DEEP}/"),
            message=f"this file is not as it was when run {read.head.record.run} began ({then[place]} then, "
            f"{now.get(place, 'none')} now), so that what is left would not belong to what was found",
            allowed="the file as it was; or a new run of the whole sequence",
        )
        for place in then
        if then[place] != now.get(place)
    ]


def changes(
    read: JournalRead, sequence: LoadedSequence, bench: LoadedBench, *, serial: str = ""
) -> list[Complaint]:
    """Return why the run cannot be carried on with these files and this unit; nothing where it can."""
    run = read.head.record
    model_path = read.head.model_file or "no model file"
    files = (
        ("sequence", str(sequence.path), run.sequence_hash, sequence.hash),
        ("bench", str(bench.path), run.bench_hash, bench.hash),
        (
            "model",
            model_path if sequence.model is None else str(sequence.model.path),
            run.model_hash,
            sequence.model_hash,
        ),
    )
    found = [
        Complaint(
            file=path,
            message=f"the {kind} file is not as it was when run {run.run} began ({then or 'none'} then, {now or 'none'} now), so that "
            "what is left would not belong to what was found",
            allowed=f"the {kind} file as it was; or a new run of the whole sequence",
        )
        for kind, path, then, now in files
        if then != now
    ]
    if serial and serial != run.serial:
        found.append(
            Complaint(
                file="--serial",
                message=f"run {run.run} is of unit {printable(run.serial)!r}, not of {printable(serial)!r}",
                allowed="the unit that the run began with, back on the bench",
            )
        )
    return found
