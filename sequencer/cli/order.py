"""What `validate` and `run` say of the order in which a plan's steps are made, where another was asked for than the file's."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import Any

from sequencer.planning.ordering.arranged import Stays
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step
from sequencer.problems import printable
from sequencer.units.format import time_text


def order_lines(plan: Plan) -> list[str]:
    """Return in words, a line each, what was moved, what stays and why, and what shares a key-down; nothing for a plan as written."""
    together = [f"one key-down: {_named(part)}" for part in plan.parts if len(part) > 1]
    if (arranged := plan.arranged) is None:
        return together
    lines = ["order: as written; no other is proved quicker and to find the same"]
    if arranged.moved or together:
        lines = [
            f"order: {_runs(arranged.order)}; about {time_text(plan.forecast_s)} in place of {time_text(arranged.written_s)} as written",
        ]
    if arranged.moved:
        lines.append(f"  moved: {_named(arranged.moved)}")
    lines += [_stays_line(why, stays) for why, stays in groupby(arranged.stays, key=lambda one: one.why)]
    return [*lines, *(f"  {line}" for line in together)]


def order_as_json(plan: Plan) -> dict[str, Any]:
    """Return the order for a program: the steps' numbers as they are made."""
    arranged = plan.arranged
    return {
        "asked": "written" if arranged is None else "quickest",
        "steps": [step.index for step in plan.steps],
        "moved": [] if arranged is None else [step.index for step in arranged.moved],
        "written_s": round(plan.forecast_s if arranged is None else arranged.written_s, 3),
        "shared": [[step.index for step in part] for part in plan.parts if len(part) > 1],
        "stays": {}
        if arranged is None
        else {str(one.step.index): {"why": one.why, "is_passed": one.is_passed} for one in arranged.stays},
    }


def _stays_line(why: str, stays: Iterable[Stays]) -> str:
    found = list(stays)
    past = (
        "not passed by what depends on how warm the transmitter is"
        if found[0].is_passed
        else "stays, and nothing is moved past it"
    )
    return f"  {past}: {_named([one.step for one in found])}: {why}"


def _named(steps: Iterable[Step]) -> str:
    return "; ".join(f"{printable(step.label)} ({step.index})" for step in steps)


def _runs(order: tuple[int, ...]) -> str:
    """Return numbers as text, those that follow each other as a run: 0-4, 10, 11, 5-9."""
    return ", ".join(_run_text(run) for run in _following(order))


def _following(order: Iterable[int]) -> Iterator[list[int]]:
    run: list[int] = []
    for number in order:
        if run and number != run[-1] + 1:
            yield run
            run = []
        run.append(number)
    yield run


def _run_text(run: list[int]) -> str:
    return f"{run[0]}-{run[-1]}" if len(run) > 2 else ", ".join(map(str, run))
