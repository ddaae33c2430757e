"""One quantity of one unit over time, and what may be said of a drift."""

from __future__ import annotations

import io
import json
import random
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from sequencer.analysis.history import (
    CONNECTION_UNSTATED,
    DRIFTS,
    NO_DRIFT,
    NO_RESULT,
    NO_TIME,
    TOO_FEW,
    histories,
    history,
)
from sequencer.cli.screens.comparison_screen import history_screen
from sequencer.uncertainty.contributions import connection
from tests.support.stored_rows import level_budget, level_row, plain_row, row


def on(day: int, value: float, **other):
    """Return a level ± 0.2 dB found on a day from 1 January 2026."""
    time = str(np.datetime64("2026-01-01T10:00:00") + np.timedelta64(day, "D")) + "+00:00"
    return plain_row(value, other.pop("uncertainty", 0.2), time=time, run=f"run-{day}", **other)


def test_one_result_says_nothing_of_a_drift():
    """A single result gives no slope."""
    drift = history([on(0, -120.0)]).drift
    assert (drift.status, drift.slope) == (TOO_FEW, None)
    assert "one result" in drift.statement


def test_two_results_say_whether_they_differ_and_no_drift():
    """Through two points every line fits: the statement gives the difference with its uncertainty and no slope."""
    apart, near = (
        history([on(0, -120.0), on(90, -119.0)]).drift,
        history([on(0, -120.0), on(90, -119.9)]).drift,
    )
    assert (apart.status, apart.slope) == (TOO_FEW, None)
    assert "+1 ± 0.28 dB from the first, which differs" in apart.statement
    assert "no significant difference" in near.statement


def test_a_steady_change_drifts_by_so_much_a_year():
    """A change of 1 dB a year seen over a year at four dates is found, with an uncertainty that holds it."""
    drift = history(
        [
            on(day, -120.0 + day / 365.25 + off)
            for day, off in ((0, 0.05), (120, -0.04), (240, 0.03), (365, -0.02))
        ]
    ).drift
    assert drift.status == DRIFTS
    assert drift.per == "year"
    assert abs(drift.slope - 1.0) < drift.slope_expanded < 0.35
    assert "drifts by +0.9" in drift.statement
    assert "dB per year" in drift.statement


def test_a_change_within_the_uncertainty_is_no_drift():
    """The same scatter without a change is "no significant drift", with the figure it could hide."""
    drift = history(
        [on(day, -120.0 + off) for day, off in ((0, 0.05), (120, -0.04), (240, 0.03), (365, -0.02))]
    ).drift
    assert drift.status == NO_DRIFT
    assert drift.statement.startswith("No significant drift (")


def test_what_connections_may_explain_is_not_called_a_drift():
    """A steady change beyond what is stated is no drift while nobody states how connections repeat; at 1 dB it hides in them.

    Connections that differ by chance can line up: of that a straight line knows nothing (common practice, no source).
    """

    def told(*parts, **unstated):
        rows = [
            row(
                -120.0 + day / 365.25,
                budget=replace(budget, contributions=(*budget.contributions, *parts), **unstated),
                run=f"run-{day}",
                time=str(np.datetime64("2026-01-01T10:00:00") + np.timedelta64(day, "D")) + "+00:00",
            )
            for day, budget in ((day, level_budget(-120.0, search_db=0.1)) for day in (0, 120, 240, 365))
        ]
        return history(rows)

    def connected(standard_db):
        return told(connection("receive path, connection made anew", standard_db))

    unknown = told(unstated_connections=("paths.receive.connection_repeatability",)).drift
    assert unknown.status == CONNECTION_UNSTATED
    assert "drifts by" not in unknown.statement
    assert "Connection repeatability is not stated" in unknown.statement
    assert connected(0.02).drift.status == DRIFTS
    assert connected(1.0).drift.status == NO_DRIFT


@pytest.mark.parametrize(("unit", "said"), [("W", " W per year"), ("Hz", " Hz per year")])
def test_a_unit_keeps_its_capitals(unit, said):
    """A statement that begins with a capital letter leaves those of the unit alone (SI: W, Hz; a small w is none)."""
    drift = history([on(day, 3.7, unit=unit) for day in (0, 200, 400)]).drift
    assert drift.statement.startswith("No significant drift (")
    assert said in drift.statement


def test_the_drift_interval_holds_the_truth_about_95_times_in_100():
    """Of 600 simulated histories with a known drift and known scatter, 93 to 98 in 100 intervals hold it."""
    chance, held = random.Random(7), 0
    for _ in range(600):
        rows = [
            on(day, -120.0 + 0.8 * day / 365.25 + chance.gauss(0, 0.1)) for day in (0, 60, 130, 190, 280, 365)
        ]
        drift = history(rows).drift
        held += abs(drift.slope - 0.8) <= drift.slope_expanded
    assert 0.93 <= held / 600 <= 0.98


def test_a_short_history_is_not_stretched_to_a_year():
    """Three results within hours are spoken of per hour, and within days per day."""
    hours = [
        plain_row(-120.0 + at, 0.2, time=f"2026-01-01T1{at}:00:00+00:00", run=f"{at}") for at in range(3)
    ]
    assert history(hours).drift.per == "hour"
    assert history(hours).drift.slope == pytest.approx(1.0)
    assert history([on(day, -120.0) for day in (0, 2, 5)]).drift.per == "day"


def test_times_of_other_offsets_are_put_in_order():
    """A time is a moment whatever its offset: 11:00+02:00 comes before 10:00+00:00."""
    early = plain_row(-120.0, 0.2, time="2026-01-01T11:00:00+02:00", run="early")
    late = plain_row(-120.0, 0.2, time="2026-01-01T10:00:00+00:00", run="late")
    assert [point.run for point in history([late, early]).points] == ["early", "late"]


def test_results_at_one_time_have_no_drift():
    """Three results with one time stamp give no slope and no division by nought."""
    drift = history([plain_row(-120.0 + at, 0.2, run=f"{at}") for at in range(3)]).drift
    assert (drift.status, drift.slope) == (NO_TIME, None)


def test_results_under_other_conditions_are_shown_and_left_out():
    """A result at another supply stands in the list with the reason, and does not tilt the line; the newest result's conditions count."""
    odd = on(100, -100.0, supply_v=10.8)
    found = history([on(0, -120.0), odd, on(200, -120.0), on(300, -120.0)])
    assert "10.8 V" in found.points[1].left_out
    assert found.drift.count == 3
    assert found.drift.status == NO_DRIFT


def test_what_was_not_measured_is_shown_and_left_out():
    """A result without a value stays in the history; where there is no value at all nothing is said of a drift."""
    missing = row(None, run="run-9", time="2026-05-01T10:00:00+00:00")
    found = history([on(0, -120.0), on(50, -120.0), on(100, -120.1), missing])
    assert found.points[-1].left_out == "not measured"
    assert found.drift.count == 3
    assert history([missing]).drift.status == NO_RESULT


def test_a_bound_is_shown_as_one_and_left_out():
    """What the analyser hid is no value of the unit: it stands in the history with its word, and no line is drawn through it."""
    bound = on(90, -60.0, bound="at most")
    found = history([on(0, -120.0), on(50, -120.0), on(100, -120.1), bound])
    assert [bool(one.left_out) for one in found.points] == [False, False, True, False]
    assert found.points[2].left_out == "a bound (at most this), and no measured value"
    assert found.drift.count == 3
    assert abs(found.drift.slope) < 5.0
    screen = Console(file=io.StringIO(), width=120)
    screen.print(history_screen([found]))
    assert "at most (" in screen.file.getvalue()
    assert history([bound]).drift.status == NO_RESULT


def test_scatter_that_the_uncertainties_do_not_explain_is_told():
    """Results that scatter ten times their uncertainty are not called a drift, and the statement says why it is so doubtful."""
    drift = history(
        [on(day, -120.0 + off) for day, off in ((0, 2.0), (100, -2.0), (200, 1.5), (300, -1.0), (365, 2.0))]
    ).drift
    assert drift.status == NO_DRIFT
    assert "scatter more than their stated uncertainties explain" in drift.statement


def test_one_bench_shares_its_error_over_the_years():
    """On one bench a drift of 0.5 dB in a year shows although each level is ± 0.8 dB; when the bench changed meanwhile it does not."""
    days, values = (0, 100, 200, 300, 365), (-120.0, -119.86, -119.73, -119.6, -119.5)
    rows = [
        level_row(value, time=on(day, 0.0).time.isoformat(), run=f"run-{day}")
        for day, value in zip(days, values, strict=True)
    ]
    changed = [replace(one, bench_hash="cccc") if at > 2 else one for at, one in enumerate(rows)]
    same_bench, other_bench = history(rows).drift, history(changed).drift
    assert rows[0].uncertainty > 0.7
    assert same_bench.slope_expanded < 0.6
    assert other_bench.slope_expanded > 1.5 * same_bench.slope_expanded


def test_a_step_is_not_passed_off_as_a_straight_line():
    """Where neighbours resemble each other, as after a step, a note says to look at the plot."""
    found = history([on(30 * at, -120.0 if at < 5 else -117.0) for at in range(10)])
    assert any("a drift or a step" in note for note in found.notes)


def test_a_simulated_history_says_so():
    """Simulated results carry their mark into the history."""
    found = history([on(0, -120.0, simulated=True)])
    assert found.simulated
    assert found.notes[0].startswith("Simulated")


def test_histories_are_told_apart_by_unit_and_quantity():
    """Rows of two units and two channels make a history each; one history refuses them together."""
    rows = [on(0, -120.0), on(0, -118.0, serial="M40-0011"), on(0, -119.0, channel=1), on(9, -120.0)]
    assert [(one.serial, one.channel, len(one.points)) for one in histories(rows)] == [
        ("M40-0007", 20, 2),
        ("M40-0011", 20, 1),
        ("M40-0007", 1, 1),
    ]
    with pytest.raises(ValueError, match="of 3 units or quantities"):
        history(rows)
    with pytest.raises(ValueError, match="no results"):
        history([])
    with pytest.raises(ValueError, match="only sequence"):
        history(rows[:1], allow=["tone"])


def test_a_history_is_json_and_fits_a_screen():
    """A history as plain values is JSON, and on the screen stand its values, its drift, and nothing a terminal acts on."""
    found = history([on(day, -120.0, serial="M\x1b[2J") for day in (0, 50, 100)])
    assert json.loads(json.dumps(found.as_plain(), allow_nan=False))["drift"]["line"]["dof"] is None
    console = Console(width=120, record=True, file=io.StringIO())
    console.print(history_screen([found]))
    shown = console.export_text()
    assert "(−120.00 ± 0.20) dBm" in shown
    assert "No significant drift" in shown
    assert "\x1b" not in shown


def test_what_was_found_before_adjusting_stands_in_the_history_and_does_not_count():
    """A pair of a day gives one point that counts, as left; the other says why it does not."""
    found = history([on(0, -118.0, stage="as found"), on(0, -121.0, stage="as left"), on(90, -121.1)])
    assert [point.left_out for point in found.points] == ["as found; what was left counts", "", ""]
    assert found.drift.count == 2
