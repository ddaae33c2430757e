"""Curves, sweeps and limit bars: what is drawn, and from which results."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from markupsafe import escape

from sequencer.report.bars import WIDTH, limit_bar
from sequencer.report.crossings import search_curve
from sequencer.report.plots import plots_of
from sequencer.report.series import meter_curves_of, sweeps_of
from sequencer.results.model import Point
from sequencer.uncertainty.decision import GUARDED, Rule
from tests.support.stored_rows import level_row, plain_row, row, sinad_points


def readings(pairs, state="in range"):
    """Return readings as a search leaves them; None is no number."""
    return tuple(
        Point(
            level_db=level,
            reading=reading,
            state=state if reading is not None else "over range",
            reading_s=0.1,
            at_s=0.0,
        )
        for level, reading in pairs
    )


@given(st.floats(-125, -90), st.floats(0.6, 3.0), st.floats(-0.25, 0.25))
def test_the_curve_is_the_one_the_readings_lie_on(crossing, slope, share):
    """Readings on a bent line give that line back: target from the quantity, slope and bend from the readings."""
    bend = share * slope

    def reading(x):
        return 12 + slope * x + bend * (x**2 / 2 if abs(x) <= 2 else 2 * abs(x) - 2)

    points = readings([(crossing + x, reading(x)) for x in (-3.0, -1.0, -0.3, 0.8, 2.5, 4.0)])
    curve = search_curve(level_row(crossing, points=points))
    assert (curve.target, curve.target_is_stated, curve.reading_unit) == (12.0, True, "dB")
    assert curve.slope == pytest.approx(slope, rel=1e-6)
    assert curve.bend == pytest.approx(bend, abs=1e-6 * slope)
    assert curve.at(crossing) == 12.0


def test_one_outlier_does_not_carry_the_curve_away():
    """A reading 8 dB off among seven good ones moves the slope by less than a tenth."""
    good = [(-120 + x, 12 + 1.6 * x) for x in (-3.0, -2.0, -1.0, 0.5, 1.0, 2.0, 3.0)]
    curve = search_curve(level_row(-120.0, points=readings([*good, (-119.0, 22.0)])))
    assert curve.slope == pytest.approx(1.6, rel=0.1)


def test_a_meter_without_a_stated_target_shows_its_reading_at_the_crossing():
    """An S9 point's row does not say the voltage aimed at: the curve's reading at the crossing is shown, and named as what it is."""
    points = readings([(-73 + x, 2.25 + 0.025 * x) for x in (-6.0, -2.0, -0.5, 0.5, 3.0)])
    curve = search_curve(level_row(-73.0, check="s9_point", quantity="S9 point", points=points))
    assert curve.target == pytest.approx(2.25, abs=1e-9)
    assert not curve.target_is_stated
    (plot,) = plots_of([level_row(-73.0, check="s9_point", quantity="S9 point", points=points)], "x")
    assert "reading at the crossing, 2.25" in plot.caption


def test_a_meter_of_segments_has_no_curve():
    """Readings that take two values only are drawn without a curve through them."""
    points = readings([(-73 + x, 2.0 if x < 0 else 2.3) for x in (-6, -3, -1, -0.5, 0.5, 1, 3)])
    curve = search_curve(level_row(-73.0, check="s9_point", quantity="S9 point, rising", points=points))
    assert curve.slope is None
    (plot,) = plots_of([level_row(-73.0, check="s9_point", quantity="S9 point, rising", points=points)], "x")
    assert "upright line: the crossing" in plot.caption


def test_a_search_that_found_nothing_shows_what_it_read():
    """Without a crossing the readings are drawn, and the caption says why there is none; readings that were no numbers are crosses."""
    failed = row(
        None,
        note="never reached after 3 readings",
        points=readings([(-60.0, 4.0), (-50.0, 5.0), (-40.0, None)]),
    )
    (plot,) = plots_of([failed], "x")
    assert "no crossing found: never reached after 3 readings" in plot.caption
    assert "crosses at the foot: no number (over range)" in plot.caption


def test_the_plot_shows_crossing_interval_uncertainty_and_how_many_readings_lie_outside():
    """The caption, which is also the text alternative, names crossing, the search's interval, the expanded uncertainty and the target."""
    (plot,) = plots_of([level_row(-120.06, points=sinad_points(-120.06))], "x")
    for words in (
        "6 readings, 2 of them at levels outside",
        "−120.1 dBm",
        "95 % interval, ±0.30 dB",
        "±0.73 dB",
        "target, 12 dB",
    ):
        assert words in plot.caption
    assert escape(plot.caption) in plot.svg
    assert "SINAD, dB" in plot.svg


@pytest.mark.parametrize(
    "points", [(), readings([(-120.0, 12.0)]), readings([(-120.0, None), (-110.0, None)])]
)
def test_results_with_few_or_no_numbers_do_not_break_the_report(points):
    """No reading, one reading, no reading that is a number: no error, and no plot that shows a number which is not there."""
    plots = plots_of([level_row(-120.0, points=points), row(None, points=points)], "x")
    assert len(plots) <= 2
    assert not any("nan" in plot.svg.lower() or "inf" in plot.caption.lower().split() for plot in plots)


def test_a_dollar_sign_is_a_dollar_sign():
    """A name with dollar signs is not taken for a formula."""
    (plot,) = plots_of([plain_row(-120.0, 1.0, quantity="$x_{", points=sinad_points(-120.0))], "x")
    assert "$x_{" in plot.title


def test_channels_make_a_sweep_from_three_on():
    """Three channels of one quantity are a plot against channel with the limits; two are not."""
    rows = [
        plain_row(
            3.7 + at / 100,
            0.1,
            unit="W",
            quantity="carrier power",
            check="carrier_power",
            channel=at,
            lower_limit=3.0,
            upper_limit=4.0,
        )
        for at in (1, 20, 40)
    ]
    (sweep,) = sweeps_of(rows)
    assert sweep.of_channels
    assert sweep.series[0].x == (1.0, 20.0, 40.0)
    (plot,) = plots_of(rows, "x")
    assert plot.title == "carrier power, FM, against channel"
    assert "limits, hatched beyond" in plot.caption
    assert sweeps_of(rows[:2]) == []


def test_deviation_at_audio_frequencies_is_a_curve_over_frequency():
    """Results called "... at 300 Hz" and "... at 3 kHz" make one logarithmic plot, both signs on it, told apart by mark and line."""
    rows = [
        plain_row(
            value,
            20.0,
            unit="Hz",
            quantity=f"peak deviation, {sign} at {text}",
            check="peak_deviation",
            upper_limit=2000.0,
        )
        for sign in ("positive", "negative")
        for text, value in (("300 Hz", 700.0), ("1 kHz", 1800.0), ("3 kHz", 1900.0))
    ]
    (sweep,) = sweeps_of(rows)
    assert sweep.logarithmic
    assert [series.name for series in sweep.series] == [
        "peak deviation, positive",
        "peak deviation, negative",
    ]
    assert sweep.series[0].x == (300.0, 1000.0, 3000.0)
    (plot,) = plots_of(rows, "x")
    assert plot.title == "peak deviation, channel 20, FM, against audio frequency"
    assert "stroke-dasharray" in plot.svg
    for text in ("300", "1000", "3000"):
        assert f">{text}<" in plot.svg


def test_power_against_supply_is_a_curve_over_volts():
    """Results called "... at 13.2 V" are drawn over the supply."""
    rows = [
        plain_row(
            3.0 + at, 0.1, unit="W", quantity=f"carrier power at {volts:g} V", check="power_against_supply"
        )
        for at, volts in enumerate((10.8, 13.2, 15.6))
    ]
    (sweep,) = sweeps_of(rows)
    assert (sweep.x_label, sweep.series[0].x) == ("supply, V", (10.8, 13.2, 15.6))


def meter_rows(offset_db=0.0, frequency_hz=27_205_000.0):
    """Return a signal meter's marks, each so far from where it should be (IARU Region 1 R.1: S9 -73 dBm, -93 dBm above 30 MHz; 6 dB)."""
    s9 = -73.0 if frequency_hz < 30e6 else -93.0
    nominal = {"S3": s9 - 36, "S5": s9 - 24, "S9": s9, "S9+20 dB": s9 + 20}
    return [
        plain_row(
            level + offset_db, 0.9, quantity=f"{name} level", check="s_meter_curve", frequency_hz=frequency_hz
        )
        for name, level in nominal.items()
    ]


@pytest.mark.parametrize(("frequency_hz", "s9_dbm"), [(27_205_000.0, "-73"), (145_500_000.0, "-93")])
def test_the_s_meter_is_drawn_beside_the_nominal_scale(frequency_hz, s9_dbm):
    """Marks of the meter make a curve beside the line of IARU Region 1 R.1, 20 dB lower above 30 MHz; the furthest mark is named."""
    rows = meter_rows(frequency_hz=frequency_hz)
    rows[1]["value"] += 5.0
    (curve,) = meter_curves_of(rows)
    assert curve.over_s9_db == (-36.0, -24.0, 0.0, 20.0)
    (plot,) = plots_of(rows, "x")
    assert f"S9 at {s9_dbm} dBm".replace("-", "−") in plot.caption
    assert "Furthest from it: S5, by +5.0 dB" in plot.caption
    for name in ("S3", "S9", r"\+20 dB"):
        assert re.search(f">{name}<", plot.svg)


def test_drawings_do_not_leak_into_each_other():
    """The paper is used again: a plot drawn after others is the same as one drawn first."""
    wanted = [level_row(-120.06, points=sinad_points(-120.06))]
    first = plots_of(wanted, "x")
    plots_of(
        [
            *meter_rows(),
            *(plain_row(float(at), 1.0, unit="W", quantity=f"power at {10**at} Hz") for at in range(1, 5)),
        ],
        "y",
    )
    assert plots_of(wanted, "x") == first


def bar_numbers(bar):
    """Return every number of a bar's coordinates."""
    return [
        float(number) for number in re.findall(r'(?:x|cx|width)="([\d.-]+)"', str(bar).split("aria-label")[1])
    ]


@example(5e-324, 0.0, 5e-324, 0.0, "lower", -1.0)
@given(
    st.floats(-200, 200),
    st.floats(0, 50),
    st.floats(-150, 100),
    st.floats(0, 100),
    st.sampled_from(["lower", "upper", "both"]),
    st.sampled_from([-1.0, 0.0, 0.83, 1.0]),
)
def test_a_bar_never_leaves_its_frame(value, spread, lower, tolerance, which, factor):
    """Whatever value, uncertainty, limits and rule: all that is drawn lies in the bar, and the mark tells inside from outside."""
    limits = {}
    if which != "upper":
        limits["lower_limit"] = lower
    if which != "lower":
        limits["upper_limit"] = lower + tolerance
    bar = limit_bar(plain_row(value, spread, rule=Rule(guard_factor=factor), **limits))
    assert all(0 <= number <= WIDTH for number in bar_numbers(bar))
    inside = (which == "upper" or value >= lower) and (which == "lower" or value <= lower + tolerance)
    assert ("<circle" in bar) == inside


def test_a_guarded_result_shows_its_guard_bands():
    """The guard band is drawn for a guarded rule and not for the simple one."""
    guarded = limit_bar(plain_row(3.5, 0.1, lower_limit=3.0, upper_limit=4.0, rule=GUARDED))
    simple = limit_bar(plain_row(3.5, 0.1, lower_limit=3.0, upper_limit=4.0))
    assert (guarded.count("<rect"), simple.count("<rect")) == (3, 1)


def test_there_is_no_bar_without_a_limit_or_a_value():
    """No limit, no value or a person's answer: no bar. An unbounded uncertainty: a bar without a line."""
    assert limit_bar(plain_row(3.5, 0.1)) == ""
    assert limit_bar(row(None, upper_limit=4.0)) == ""
    assert limit_bar(row(0.0, unit="", lower_limit=1.0)) == ""
    assert "<circle" in limit_bar(row(3.5, uncertainty=math.inf, upper_limit=4.0))
