"""Budgets as rows and as a table."""

from __future__ import annotations

import json

import pytest

from sequencer.results.budget_rows import stored, table
from sequencer.results.stored_budget import budget_as_plain, stored_budget
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


def test_a_kept_budget_survives_json():
    """A budget kept with its result, written as JSON without infinities, is the same again; its figures are those of the check's own."""
    kept = stored(BUDGET)
    assert stored_budget(json.loads(json.dumps(budget_as_plain(kept), allow_nan=False))) == kept
    assert (kept.expanded, kept.standard, kept.coverage_factor) == (
        BUDGET.expanded,
        BUDGET.standard,
        BUDGET.coverage_factor,
    )
    assert [part.source for part in kept.contributions] == [one.source for one in BUDGET.contributions]
    assert [part.top for part in kept.contributions] == [one.top for one in BUDGET.contributions]


def test_a_part_can_be_followed_by_hand():
    """In each part stated over divisor is the standard uncertainty, and times coefficient the contribution."""
    for part in stored(BUDGET).contributions:
        assert part.stated / part.divisor == pytest.approx(part.standard_uncertainty)
        assert abs(part.coefficient) * part.standard_uncertainty == pytest.approx(part.contribution)


def test_table_shows_every_step():
    """The printed table names each source, and ends with what they come to: in dB for a level in dBm."""
    lines = table(stored(BUDGET)).splitlines()
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


def test_what_is_common_is_kept_with_each_contribution():
    """Each part tells with which results it is shared."""
    assert [part.common for part in stored(BUDGET).contributions] == [
        "bench",
        "bench",
        "unit",
        "none",
        "none",
    ]
