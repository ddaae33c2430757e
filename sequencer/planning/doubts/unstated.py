"""What a bench file does not state and a plan's checks need, so that their results have no uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sequencer.inputs.stated import Stated, find_connections, find_needed
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step


def unstated_keys(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return each key that the bench file does not state, with the names of the checks that need it, in the plan's order."""
    return _lacking(plan, lambda needs, frequency_hz: find_needed(plan.bench.bench, needs, frequency_hz))


def unstated_connections(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return each connection whose repeatability the bench file does not state, with the names of the checks whose results go over it."""
    return _lacking(plan, lambda needs, _: find_connections(plan.bench.bench, needs))


def _lacking(
    plan: Plan, find: Callable[[tuple[str, ...], float | None], list[Stated]]
) -> dict[str, tuple[str, ...]]:
    found: dict[str, dict[str, None]] = {}
    looked_up: dict[tuple[tuple[str, ...], float | None], list[str]] = {}  # many steps need the same
    for step in plan.steps:
        needs = step.check.needs(step.settings, step.conditions)
        for frequency_hz in frequencies_of(step):
            asked = needs, frequency_hz
            if asked not in looked_up:
                looked_up[asked] = [one.key for one in find(*asked) if one.figure is None]
            for key in looked_up[asked]:
                found.setdefault(key, {})[step.check.name] = None
    return {key: tuple(checks) for key, checks in found.items()}


def frequencies_of(step: Step) -> Iterator[float | None]:
    """Yield where a step measures, Hz: its channel's, and those of a sweep; None where it stands on none."""
    yield step.conditions.frequency_hz
    plan = step.conditions.plan
    if plan is not None:
        known = plan.frequencies_hz
        yield from (
            known[one] for one in step.check.other_starts(step.settings, step.conditions) if one in known
        )
