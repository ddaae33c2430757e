"""Which presets a bench cannot set as well as their bands ask, as far as that is known before anything is turned."""

from __future__ import annotations

from sequencer.planning.plan import Plan


def presets_too_fine(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return the presets whose band is narrower than the uncertainty that the bench file states for it, each with its steps."""
    if not any(step.settings.check == "adjust" for step in plan.steps):
        return {}  # what adjusting takes is imported only where something is adjusted
    from sequencer.checks.adjusting.beforehand import told_too_fine
    from sequencer.checks.adjusting.settings import AdjustSettings, adjusted

    found: dict[str, list[str]] = {}
    for step in plan.steps:
        if not isinstance(step.settings, AdjustSettings):
            continue
        for one in adjusted(step.settings):
            if told := told_too_fine(one, step.conditions):
                found.setdefault(f"preset {one.name}, {told}", []).append(step.label)
    return {key: tuple(labels) for key, labels in found.items()}
