"""What a bench file does not state and a plan's checks need, so that their results have no uncertainty."""

from __future__ import annotations

from sequencer.inputs.stated import find_needed
from sequencer.planning.plan import Plan


def unstated_keys(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return each key that the bench file does not state, with the names of the checks that need it, in the plan's order."""
    found: dict[str, dict[str, None]] = {}
    for step in plan.steps:
        needs = step.check.needs(step.settings, step.conditions)
        for one in find_needed(plan.bench.bench, needs, step.conditions.frequency_hz):
            if one.figure is None:
                found.setdefault(one.key, {})[step.check.name] = None
    return {key: tuple(checks) for key, checks in found.items()}
