"""What findings lack that would prove them, in their notes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from sequencer.checks.finding import Finding
from sequencer.planning.doubts.loss_beyond import loss_beyond_note
from sequencer.planning.doubts.unproved import unproved_note
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step


def with_proof(plan: Plan, step: Step, findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings, with a note where no figure known beforehand proves what they were read by, or the loss of their path."""
    unproved = unproved_note(plan, step)

    def noted(found: Finding) -> Finding:
        if not isinstance(found, Finding) or found.value is None:
            return found  # what a check from elsewhere returned is found out when it is judged
        notes = [one for one in (unproved, loss_beyond_note(plan, step, found)) if one]
        return replace(found, note="; ".join(filter(None, (found.note, *notes)))) if notes else found

    return [noted(one) for one in findings]
