"""What was adjusted: found and left stand together, and only what was left counts."""

from __future__ import annotations

from typing import Any

from sequencer.report.verdicts import trouble_of, verdict_of
from sequencer.results.stages import counting, pairs
from sequencer.results.stored import StoredResult
from tests.support.stored_rows import row, run_of


def power(value: float | None, **other: Any) -> StoredResult:
    """Return a carrier power with limits of 3 to 4 W."""
    facts: dict[str, Any] = {
        "check": "adjust",
        "quantity": "carrier power",
        "unit": "W",
        "lower_limit": 3.0,
        "upper_limit": 4.0,
    }
    return row(value, uncertainty=0.1, **{**facts, **other})


FOUND, LEFT = power(2.0, stage="as found"), power(3.8, stage="as left")
OTHER = power(3.5, check="carrier_power")


def test_found_and_left_are_a_pair_that_stands_where_left_does() -> None:
    """Each as left has the as found of the same quantity and channel beside it, in order where there are several."""
    again = (power(4.5, stage="as found"), power(3.9, stage="as left"))
    found = pairs([FOUND, OTHER, again[0], LEFT, again[1]])
    assert [(one.left, one.found) for one in found] == [(OTHER, None), (LEFT, FOUND), (again[1], again[0])]
    assert pairs([FOUND, power(3.8, stage="as left", channel=1)])[0].left is FOUND


def test_a_unit_that_was_put_right_passes() -> None:
    """A fault that was found and mended is no trouble any more; one that nobody mended is."""
    assert counting([FOUND, LEFT]) == [LEFT]
    assert verdict_of(run_of([FOUND, LEFT])).word == "Pass"
    assert trouble_of([FOUND, LEFT]) == []
    assert verdict_of(run_of([FOUND])).word == "Fail"
