"""What was adjusted: found and left stand together, and only what was left counts."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from sequencer.report.verdicts import problems_of, verdict_of
from sequencer.results.junit import write_junit
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
    assert problems_of([FOUND, LEFT]) == []
    assert verdict_of(run_of([FOUND])).word == "Fail"


@pytest.mark.parametrize("axis_value", [None, 0.0], ids=["by itself", "on an axis"])
def test_what_was_not_measured_as_left_leaves_what_was_found_to_count(axis_value: float | None) -> None:
    """The unit was seen outside its limits and nobody has put it right: both count, on the sheet they stand together."""
    found = power(2.0, stage="as found", axis_value=axis_value)
    missing = power(None, stage="as left", note="nobody was there to turn it")
    assert [(one.left, one.found) for one in pairs([found, missing])] == [(missing, found)]
    assert counting([found, missing]) == [found, missing]
    assert verdict_of(run_of([found, missing])).word == "Fail"


def test_a_build_server_is_told_no_failure_that_was_put_right(tmp_path: Path) -> None:
    """As found is skipped where it was measured as left, and a failure where nobody has put it right."""
    missing = power(None, stage="as left", note="nobody was there to turn it")
    for at, (rows, counts) in enumerate(
        [((FOUND, LEFT), ("0", "0", "1")), ((FOUND, missing), ("1", "1", "0"))]
    ):
        write_junit([run_of(rows)], tmp_path / f"{at}.xml")
        (suite,) = ElementTree.parse(tmp_path / f"{at}.xml").getroot()
        assert tuple(suite.get(name) for name in ("failures", "errors", "skipped")) == counts
