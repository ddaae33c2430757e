"""Whether anything was moved is a fact of the findings, whatever their notes say."""

from __future__ import annotations

import pytest

from sequencer.checks.adjusting.procedure import was_adjusted
from sequencer.checks.finding import Finding


def _left(*, value: float | None, untouched: bool = False, note: str = "") -> Finding:
    return Finding(
        quantity="carrier power", value=value, unit="W", stage="as left", untouched=untouched, note=note
    )


@pytest.mark.parametrize(
    ("finding", "adjusted"),
    [
        (
            _left(value=None, note="the meter was not adjusted in time: lost"),
            True,
        ),  # a fault while it was turned
        (_left(value=None, untouched=True), False),
        (_left(value=3.7, untouched=True), False),
        (Finding(quantity="time to adjust power", value=12.0, unit="s", exact=True), True),
    ],
)
def test_what_was_moved_is_a_fact(finding: Finding, adjusted: bool) -> None:
    """A fault's words that hold "not adjusted" made a preset that had been turned look untouched."""
    assert was_adjusted([finding]) is adjusted
