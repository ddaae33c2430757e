"""Goes through a stored run: today's code measures again, and the trace answers."""

from __future__ import annotations

import signal
from collections.abc import Callable, Mapping
from typing import Any

from sequencer.bench.open_bench import BenchParts
from sequencer.bench.tape import Tape
from sequencer.bench.tape_links import TapedPerson
from sequencer.frozen import dataclass
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step
from sequencer.problems import about_file
from sequencer.results.model import NOT_ENDED, Result
from sequencer.run.events import CheckEnded, CheckStarted, Event
from sequencer.run.keeping.keeper import Keeper
from sequencer.run.people.entered import CALLED
from sequencer.run.people.live_record import BEGUN
from sequencer.run.replay.people import ConfirmedThen, ConnectedThen, EnteredThen, LiveThen
from sequencer.run.replay.source import Source
from sequencer.run.runner import Runner, RunOutcome


@dataclass(frozen=True, slots=True, kw_only=True)
class GoneThrough:
    """A run that was gone through: what the tape says of it, and how it ended now."""

    tape: Tape
    outcome: RunOutcome
    stopped_then: bool = False
    """Whether it ended because it was stopped, or ended without a word, then."""


def go_through(
    source: Source,
    plan: Plan,
    make_keeper: Callable[[Tape], Keeper],
    *,
    steps: Mapping[int, int | None] | None = None,
) -> GoneThrough:
    """Go through ``source`` by ``plan``; ``make_keeper`` returns who keeps what it finds.

    ``steps`` says which check of then each check is now; without it they are the same. Raises InputError where answers are missing.
    """
    _refuse_missing_people(source, plan)
    stopped: list[bool] = []

    def stop() -> None:
        stopped.append(True)
        signal.raise_signal(signal.SIGINT)

    tape = Tape(
        source.entries,
        interrupted=source.run.was_interrupted,
        cut_short=source.run.outcome == NOT_ENDED,
        results_of={index for index, one in source.results if not _is_of_cut_short(one)},
        interrupt=stop,
        steps=steps,
    )
    parts = BenchParts(
        bench=plan.bench.bench,
        profiles=plan.bench.profiles,
        person=TapedPerson(tape),
        serial=source.run.serial,
        tape=tape,
    )

    def follow(event: Event) -> None:
        if isinstance(event, CheckStarted):
            tape.begin(event.index)
        elif isinstance(event, CheckEnded):
            tape.over(event.index)

    runner = Runner(
        plan,
        parts,
        make_keeper(tape),
        ConfirmedThen(tape, source.confirmations),
        [follow],
        cables=ConnectedThen(tape),
        enterer=EnteredThen(tape),
        live=LiveThen(tape) if any(one.exchange.content == BEGUN for one in source.entries) else None,
    )
    outcome = runner.run()
    tape.end()
    return GoneThrough(tape=tape, outcome=outcome, stopped_then=bool(stopped))


def _is_of_cut_short(one: Result) -> bool:
    """Say whether a result may be of a check that did not end: what was found before an adjusting is kept at once."""
    return one.check == "adjust" and one.stage == "as found"


def matched_steps(plan: Plan, then: Plan | None, source: Source) -> dict[int, int | None]:
    """Return which step of then each step of ``plan`` is: the same check in the same place with the same settings but for its limits."""
    if then is None:
        checks = {index: one.check for index, one in source.results}
        return {
            step.index: step.index if checks.get(step.index) == step.check.name else None
            for step in plan.steps
        }
    found: dict[int, int | None] = {}
    left = {step.index: step for step in then.steps}
    for same in (_whole, _place):
        for step in plan.steps:
            if found.get(step.index) is None:
                match = next((at for at, one in left.items() if same(one) == same(step)), None)
                found[step.index] = match
                if match is not None:
                    del left[match]
    return found


def _place(step: Step) -> tuple[Any, ...]:
    text = getattr(step.settings, "text", "") if step.check.name == "confirm" else ""
    return step.check.name, step.conditions.channel, step.conditions.mode, text


def _whole(step: Step) -> tuple[Any, ...]:
    keys = {"limit", "limits", *step.check.limit_keys.values()}
    fields = type(step.settings).model_fields
    left_out = {name for name, field in fields.items() if (field.alias or name) in keys}
    return *_place(step), repr(step.settings.model_dump(exclude=left_out, warnings=False))


def _refuse_missing_people(source: Source, plan: Plan) -> None:
    """Raise InputError where a person moved cables and the trace does not say what was answered, as before it was kept."""
    if not plan.by_hand or any(one.exchange.instrument == CALLED for one in source.entries):
        return
    raise about_file(
        f"run {source.run.run}",
        "cannot be replayed: a person moved cables in it, and what was answered was not kept (older sequencers did not)",
        allowed="a run of this sequencer",
    )
