"""What a result says of the published document it is held against: its limit, and whether it was measured as surely as that asks for."""

from __future__ import annotations

import math

from sequencer.checks.finding import Finding
from sequencer.planning.doubts.own_method import departures, own_limits
from sequencer.planning.loading.limit_rows import TakenRow
from sequencer.planning.step import Step
from sequencer.run.facts import RunFacts


def document_notes(
    finding: Finding, step: Step, facts: RunFacts, uncertainty: float | None, frequency_hz: float | None
) -> tuple[str, ...]:
    """Return from which published document the limits are and on what they rest, what was measured otherwise than it has it, and where U
    is more than it allows.

    Nothing where the check names no file of limits, or neither was found there.
    """
    if (row := facts.plan.sequence.rows.at(step.at)) is None:
        return ()
    return (
        _limit(finding, step, row),
        *(f"measured with {one}" for one in departures(step, row)),
        _beyond(finding, row, uncertainty, frequency_hz),
    )


def _limit(finding: Finding, step: Step, row: TakenRow) -> str:
    """Return whose the limit is: the document's only where it was taken from there."""
    if finding.limits.lower is None and finding.limits.upper is None:
        return ""
    key = step.check.limit_key(finding.quantity)
    if key in row.took:
        return row.said
    return f"limit of the sequence's own, not of {row.document}" if key in own_limits(step, row) else ""


def _beyond(finding: Finding, row: TakenRow, uncertainty: float | None, frequency_hz: float | None) -> str:
    greatest = row.greatest
    if greatest is None or finding.value is None or not greatest.compares(finding.unit):
        return ""
    allowed = f"{row.document}, allows ({greatest.text}: {greatest.clause}, figure {greatest.basis})"
    if uncertainty is None:
        return f"U is not known, so that nobody can say whether it is within what {allowed}"
    own = greatest.own(
        value=finding.value, unit=finding.unit, expanded=uncertainty, frequency_hz=frequency_hz
    )
    if own is None or not greatest.is_exceeded(own[0]):
        return ""
    figure, unit = own
    large = (
        f"{figure:.{0 if figure >= 100.0 else 2}f} {unit}"
        if math.isfinite(figure)
        else "as large as the value"
    )
    return f"U is {large}, more than {allowed}; the decision rule is the same for all that"
