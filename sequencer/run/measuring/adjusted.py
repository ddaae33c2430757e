"""What adjusting leaves beside its own results: what was found before a fault, and which earlier results it made old."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from sequencer.checks.finding import Finding
from sequencer.planning.step import Step

BEFORE_THE_END = "found before this check was cut short; the proof that its readings follow PTT is missing"


def with_found(kept: Sequence[Finding], findings: list[Finding]) -> list[Finding]:
    """Return the findings; where a fault left none as found, with those that were ``kept``, for nothing can find them again."""
    if not kept or any(one.stage == "as found" for one in findings):
        return findings
    found = [replace(one, note="; ".join(filter(None, (one.note, BEFORE_THE_END)))) for one in kept]
    return [*found, *(replace(one, stage="as left") for one in findings)]


def made_old(step: Step, findings: Sequence[Finding], steps: Iterable[Step]) -> str:
    """Return in words which earlier results of the run were measured before something was adjusted that they show; empty for none."""
    if step.check.name != "adjust":  # what adjusting takes is imported only where something is adjusted
        return ""
    from sequencer.checks.adjusting.procedure import was_adjusted
    from sequencer.checks.adjusting.settings import AdjustSettings

    if not isinstance(step.settings, AdjustSettings) or not was_adjusted(findings):
        return ""
    presets = step.settings.named()
    of = {preset.of for preset in presets.values()}
    old = [one for one in steps if one.index < step.index and one.check.name in of]
    if not old:
        return ""
    named = " and ".join(f"{one.label} (check {one.index})" for one in old)
    adjusted = " and ".join(f"'{name}'" for name in presets)
    return (
        f"{named} {'was' if len(old) == 1 else 'were'} measured before {adjusted} was adjusted: measure again"
    )


def noted(findings: list[Finding], note: str) -> list[Finding]:
    """Return the findings with a note on the first of what was left."""
    if not note:  # of a check from elsewhere nobody knows what it returned, until it is judged
        return findings
    at = next((at for at, one in enumerate(findings) if one.stage == "as left"), None)
    if at is None:
        return findings
    one = findings[at]
    return [*findings[:at], replace(one, note="; ".join(filter(None, (one.note, note)))), *findings[at + 1 :]]
