"""Budgets as rows and as a table."""

from __future__ import annotations

import json

import pytest

from sequencer.results.budget_rows import as_plain, from_plain, rows, table
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.contributions import instrument_accuracy, mismatch, path_loss, repeatability
from sequencer.uncertainty.distributions import Shape

BUDGET = Budget(
    quantity="sensitivity",
    unit="dBm",
    value=-118.25,
    contributions=(
        instrument_accuracy("generator level", 0.5, unit="dB"),
        path_loss("receive path", 0.1, coefficient=-1.0),
        mismatch("mismatch", 0.13, 0.2),
        repeatability("repeatability", (11.9, 12.2, 12.1), unit="dB", coefficient=0.5),
        Contribution.bounded("setting", 0.1, Shape.TRAPEZOIDAL, top=0.5, unit="dB"),
    ),
    correlations=(("generator level", "receive path", 0.25),),
)


def test_rows_survive_json():
    """A budget written as plain numbers, through JSON without infinities, is the same budget again."""
    text = json.dumps(as_plain(BUDGET), allow_nan=False)
    again = from_plain(json.loads(text))
    assert again == BUDGET
    assert again.expanded == BUDGET.expanded


def test_a_row_can_be_followed_by_hand():
    """In each row stated over divisor is the standard uncertainty, and times coefficient the contribution."""
    for row in rows(BUDGET):
        assert row["stated"] / row["divisor"] == pytest.approx(row["standard_uncertainty"])
        assert abs(row["coefficient"]) * row["standard_uncertainty"] == pytest.approx(row["contribution"])


def test_table_shows_every_step():
    """The printed table names each source, and ends with what they come to: in dB for a level in dBm."""
    lines = table(BUDGET).splitlines()
    assert lines[0] == "sensitivity: -118.25 dBm"
    for heading in ("source", "value", "distribution", "divisor", "standard uncertainty", "coefficient"):
        assert heading in lines[1]
    first = "generator level|0 dB|0.5 dB|rectangular|1.732|0.289 dB|1|0.289 dB|infinite"
    assert [cell.strip() for cell in lines[2].split("  ") if cell.strip()] == first.split("|")
    assert "12.066667 dB" in lines[5]
    assert lines[7] == "correlation of generator level and receive path: 0.25"
    assert lines[-1] == f"expanded uncertainty: {BUDGET.expanded:.3g} dB"
    assert "for 95.45 %" in lines[-2]
    assert all(line == line.rstrip() for line in lines)


def test_what_is_common_is_stored_beside_each_contribution():
    """The key tells with which results a contribution is shared; a budget stored without it shares nothing."""
    assert [row["common"] for row in rows(BUDGET)] == ["bench", "bench", "unit", "none", "none"]
    plain = as_plain(BUDGET)
    for row in plain["contributions"]:
        del row["common"]
    assert {part.common for part in from_plain(plain).contributions} == {"none"}


def test_stored_budget_that_is_incomplete_is_named():
    """A stored budget with something missing is refused with the name of what is missing."""
    plain = as_plain(BUDGET)
    del plain["coverage"]
    with pytest.raises(ValueError, match="lacks 'coverage'"):
        from_plain(plain)
