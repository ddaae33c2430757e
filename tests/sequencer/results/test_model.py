"""Rows of results: plain values under the columns that table and store share."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

from sequencer.results.model import COLUMNS, Point, Result, row_of
from sequencer.uncertainty.decision import Decision
from tests.support.stored_results import BUDGET


def _result(**changes: object) -> Result:
    facts: dict[str, object] = dict.fromkeys(COLUMNS, "x")
    facts |= {"time": datetime(2027, 1, 2, tzinfo=UTC), "decision": Decision.FAIL, "simulated": False}
    return Result(**(facts | changes))  # type: ignore[arg-type]


def test_the_columns_are_those_the_results_promise() -> None:
    """Unit, sequence and bench with their hashes, what was measured, limits, decision and rule: one column each."""
    promised = {
        "time",
        "run",
        "serial",
        "model",
        "sequence",
        "sequence_hash",
        "bench",
        "bench_hash",
        "simulated",
    }
    promised |= {"check", "channel", "frequency_hz", "mode", "quantity", "value", "unit", "uncertainty"}
    promised |= {"lower_limit", "upper_limit", "decision", "rule", "conditions", "note"}
    promised |= {"target", "target_unit", "slope", "axis", "axis_value", "axis_unit", "nominal", "supply_v"}
    promised |= {"stage", "model_hash", "limit_from", "bound"}
    promised |= {"temperature_c", "air_c", "sensor_c", "soaked_s", "read_by", "document"}
    promised |= {"batch", "station", "operator", "lot", "fixture", "attempt", "retest_reason"}
    assert set(COLUMNS) == promised


def test_times_carry_their_offset() -> None:
    """A time is ISO 8601 with the bench's own offset, so that two benches' rows can be put in order."""
    zone = timezone(timedelta(hours=5, minutes=30))
    row = row_of(_result(time=datetime(2027, 7, 8, 9, 10, 11, 120000, tzinfo=zone)))
    assert row["time"] == "2027-07-08T09:10:11.120+05:30"
    assert datetime.fromisoformat(str(row["time"])).utcoffset() == timedelta(hours=5, minutes=30)


def test_the_decision_is_its_word() -> None:
    """A row says 'fail', not the name of a member of an enumeration."""
    assert row_of(_result())["decision"] == "fail"


def test_points_and_budget_are_kept_beside_the_row_not_in_it() -> None:
    """The readings behind a result are the store's affair; the row stays a line."""
    point = Point(level_db=-120.0, reading=11.9, state="ok", reading_s=0.2, at_s=3.0)
    assert set(row_of(_result(points=(point,), budget=BUDGET))) == set(COLUMNS)
