"""Curves, sweeps and limit bars: what is drawn, and from which results."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from markupsafe import escape

from sequencer.report.bars import WIDTH, limit_bar
from sequencer.report.crossings import search_curve
from sequencer.report.paper import empty_axes, name_series
from sequencer.report.plots import plots_of
from sequencer.report.series import meter_curves_of, sweeps_of
from sequencer.report.spectra import spectrum_plots
from sequencer.results.model import Point
from sequencer.uncertainty.decision import GUARDED, Rule
from tests.support.stored_rows import HEARD, level_row, plain_row, row, sinad_points


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


def test_target_and_slope_are_the_result_s_own():
    """What the result says is drawn, whatever its name and its readings would suggest: nothing is fitted, no text is read."""
    points = readings([(-120 + x, 40 - 3 * x) for x in (-3.0, -1.0, 0.8, 2.5)])
    facts = {"target": 7.0, "target_unit": "dB (S+N)/N", "slope": 0.9}
    curve = search_curve(level_row(-120.0, points=points, quantity="sensitivity, 12 dB SINAD", **facts))
    assert (curve.target, curve.target_unit, curve.slope) == (7.0, "dB (S+N)/N", 0.9)
    assert curve.at(-118.0) == pytest.approx(7.0 + 2 * 0.9)
    (plot,) = plots_of([level_row(-120.0, points=points, **facts)], "x")
    assert "slope found there, 0.9 dB (S+N)/N per dB" in plot.caption
    assert "target, 7 dB (S+N)/N" in plot.caption
    assert "reading, dB (S+N)/N" in plot.svg


def test_an_old_result_is_drawn_without_what_is_not_known():
    """A result stored without target and slope shows its readings and its crossing, and says what it does not know."""
    (plot,) = plots_of([level_row(-120.06, points=sinad_points(-120.06))], "x")
    assert "upright line: the crossing, −120.1 dBm" in plot.caption
    assert "the target is not known: it was not stored with this result" in plot.caption
    assert "slope" not in plot.caption
    assert "12 dB" not in plot.caption


def test_a_meter_of_segments_has_a_target_and_no_slope():
    """Where a reading switches there is no slope: crossing and threshold are drawn, no line."""
    points = readings([(-73 + x, 2.0 if x < 0 else 2.3) for x in (-6, -3, -1, -0.5, 0.5, 1, 3)])
    facts = {"target": 2.25, "target_unit": "V", "nominal": -73.0}
    (plot,) = plots_of(
        [level_row(-73.0, check="s9_point", quantity="S9 point, rising", points=points, **facts)], "x"
    )
    assert "diamond: the crossing" in plot.caption
    assert "dashed: target, 2.25 V" in plot.caption
    assert "slope" not in plot.caption


def test_a_ratio_s_search_is_drawn_against_its_target():
    """A selectivity is no level: the interferer's levels are drawn with the SINAD they were searched for, without a crossing."""
    points = readings([(-60.0, 20.0), (-50.0, 14.0), (-45.0, 9.0)])
    (plot,) = plots_of(
        [row(70.0, unit="dB", check="selectivity", quantity="selectivity, +10 kHz", points=points, **HEARD)],
        "x",
    )
    assert "crossing" not in plot.caption
    assert "dashed: target, 12 dB SINAD" in plot.caption


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
    (plot,) = plots_of([level_row(-120.06, points=sinad_points(-120.06), **HEARD)], "x")
    for words in (
        "6 readings, 2 of them at levels outside",
        "−120.1 dBm",
        "95 % interval, ±0.30 dB",
        "±0.70 dB",
        "target, 12 dB SINAD",
        "slope found there, 1.6 dB SINAD per dB",
    ):
        assert words in plot.caption
    assert escape(plot.caption) in plot.svg
    assert "reading, dB SINAD" in plot.svg


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


def test_a_bound_on_a_sweep_is_an_arrow_that_the_caption_explains():
    """An arrow at the bound alone and no bar of U; both kinds are named where both are there, and none where all was measured."""
    how = {"unit": "W", "quantity": "harmonic 2", "check": "harmonics"}
    measured = [plain_row(1e-9 * at, 1e-10, channel=at, **how) for at in (1, 20, 40)]
    bound = [replace(measured[0], bound="at most"), *measured[1:]]
    both = [replace(measured[0], bound="at most"), replace(measured[1], bound="at least"), measured[2]]
    (none,), (one,), (two,) = (plots_of(rows, "x") for rows in (measured, bound, both))
    assert "arrow" not in none.caption
    assert "; arrows: bounds, at most so much" in one.caption
    assert "; arrows: bounds, at most or at least so much" in two.caption
    arrows = [plot.svg.count("stroke-linecap: round") for plot in (none, one, two)]
    assert arrows[0] < arrows[1] < arrows[2]


def along(axis, axis_unit, places, **other):
    """Return results along an axis, the first 1.0, each 0.5 more than the one before."""
    return [
        plain_row(
            1.0 + at / 2,
            0.1,
            axis=axis,
            axis_value=place,
            axis_unit=axis_unit,
            quantity=f"result {at}",
            **other,
        )
        for at, place in enumerate(places)
    ]


def test_results_along_audio_frequencies_are_a_curve_on_a_logarithmic_axis():
    """The axis is the result's own, whatever it is called; what should be is drawn where each result says it."""
    rows = along(
        "audio frequency", "Hz", (300.0, 1000.0, 3000.0), unit="dB", check="audio_response", nominal=0.0
    )
    (sweep,) = sweeps_of(rows)
    assert sweep.logarithmic
    assert sweep.series[0].x == (300.0, 1000.0, 3000.0)
    (plot,) = plots_of(rows, "x")
    assert plot.title == "audio response, channel 20, FM, against audio frequency"
    assert "grey dashes: nominal" in plot.caption
    for text in ("300", "1000", "3000"):
        assert f">{text}<" in plot.svg


def test_power_against_supply_is_a_curve_over_volts():
    """Results that say their supply are drawn over it; the same names without the field make no curve."""
    rows = along("supply", "V", (10.8, 13.2, 15.6), unit="W", check="power_against_supply")
    (sweep,) = sweeps_of(rows)
    assert (sweep.x_label, sweep.series[0].x, sweep.logarithmic) == ("supply, V", (10.8, 13.2, 15.6), False)
    named = [
        plain_row(3.0, 0.1, unit="W", quantity=f"carrier power at {volts} V", check="power_against_supply")
        for volts in (10.8, 13.2, 15.6)
    ]
    assert sweeps_of(named) == []


def test_two_steps_along_one_axis_are_two_series():
    """The same check twice in a sequence makes two series, named by their steps; single results of several steps make one."""
    twice = [
        row
        for step in (3, 4)
        for row in along(
            "supply", "V", (12.0, 13.2, 14.4), unit="W", check="power_against_supply", check_index=step
        )
    ]
    (sweep,) = sweeps_of(twice)
    assert [one.name for one in sweep.series] == [
        "power against supply, step 3",
        "power against supply, step 4",
    ]
    single = [
        replace(one, check="carrier_power", check_index=at)
        for at, one in enumerate(along("time transmitting", "s", (0.0, 10.0, 30.0), unit="W"))
    ]
    (sweep,) = sweeps_of(single)
    assert [(one.name, one.x) for one in sweep.series] == [("carrier power", (0.0, 10.0, 30.0))]


@pytest.mark.parametrize(
    "names",
    [
        ("13.2 V", "10.8 V"),
        ("13.2 V", "10.8 V", "15.6 V"),
        ("a name that leaves no room for another", "b", "c"),
    ],
)
def test_names_of_series_stand_above_the_axes_and_hide_nothing(names):
    """The legend's box, as it is drawn, lies within the picture and outside the axes."""
    figure, axes = empty_axes()
    for at, name in enumerate(names):
        axes.plot([0.0, 1.0], [at, at + 1.0], label=name)
    name_series(axes, names)
    figure.draw_without_rendering()
    legend, frame = axes.get_legend().get_window_extent(), axes.get_window_extent().frozen()
    assert legend.y0 >= frame.y1 - 0.5
    assert legend.y1 <= figure.bbox.y1
    assert legend.x1 <= figure.bbox.x1
    after = empty_axes()[1].get_window_extent()
    assert after.height > frame.height


def test_offsets_to_both_sides_stand_on_a_linear_axis():
    """Hertz below zero have no logarithm."""
    (sweep,) = sweeps_of(
        along("interferer's offset", "Hz", (-10e3, 10e3, 20e3), unit="dB", check="selectivity")
    )
    assert not sweep.logarithmic


def meter_rows(s9_dbm=-73.0, **other):
    """Return a signal meter's marks, each where it should be: 6 dB an S-unit (IARU Region 1 R.1)."""
    return [
        plain_row(
            s9_dbm + over,
            0.9,
            quantity=f"mark {at}",
            check="s_meter_curve",
            axis="meter mark",
            axis_value=over,
            axis_unit="dB over S9",
            **{"nominal": s9_dbm + over, **other},
        )
        for at, over in enumerate((-36.0, -24.0, 0.0, 20.0))
    ]


@pytest.mark.parametrize("s9_dbm", [-73.0, -93.0, -67.0])
def test_the_s_meter_is_drawn_beside_its_own_nominal_scale(s9_dbm):
    """The scale is the one the results say: IARU Region 1 R.1's -73 or -93 dBm, or what a bench file said instead, as -67 dBm."""
    rows = meter_rows(s9_dbm)
    rows[1] = replace(rows[1], value=rows[1].value + 5.0)
    (curve,) = meter_curves_of(rows)
    assert curve.over_s9_db == (-36.0, -24.0, 0.0, 20.0)
    assert curve.names == ("S3", "S5", "S9", "S9+20 dB")
    (plot,) = plots_of(rows, "x")
    assert f"S9 at {s9_dbm:g} dBm".replace("-", "−") in plot.caption
    assert "Furthest from it: S5, by +5.0 dB" in plot.caption
    for name in ("S3", "S9", r"\+20"):
        assert re.search(f">{name}<", plot.svg)


def test_a_meter_whose_nominal_scale_was_not_stored_has_none():
    """Without the nominal levels the marks are drawn alone, and no scale is guessed from the frequency."""
    (plot,) = plots_of(meter_rows(nominal=None), "x")
    assert "the nominal scale is not known" in plot.caption
    assert "S9 at" not in plot.caption


def test_drawings_do_not_leak_into_each_other():
    """The paper is used again: a plot drawn after others is the same as one drawn first."""
    wanted = [level_row(-120.06, points=sinad_points(-120.06))]
    first = plots_of(wanted, "x")
    plots_of(
        [
            *meter_rows(),
            *along("audio frequency", "Hz", (10.0, 100.0, 1e3, 1e4), unit="W"),
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


@pytest.mark.parametrize(("bound", "limit"), [("at most", "upper_limit"), ("at least", "lower_limit")])
@pytest.mark.parametrize("value", [-3.0, 0.0, 1.0, 4.0])
def test_a_bound_is_an_arrow_into_what_it_leaves_open(bound, limit, value):
    """No dot, which is a measured value's, and U on the side that the arrow does not point to; all of it in the bar."""
    bar = str(limit_bar(replace(plain_row(value, 0.5, **{limit: value + 1.0}), bound=bound)))
    assert "<circle" not in bar
    (drawn,) = re.findall(r'd="(M[\d.]+ 6\.5V15\.5M[^"]+)"', bar)
    at, tip, back = (float(one) for one in re.match(r"M([\d.]+) .*H([\d.]+)M([\d.]+) ", drawn).groups())
    assert (tip < at) == (bound == "at most")
    assert min(at, tip) < back < max(at, tip)
    assert all(0.0 <= one <= WIDTH for one in (at, tip, back))
    (end,) = (float(one) for one in re.findall(r'd="M[\d.]+ 11H([\d.]+)M[\d.]+ 8V14"', bar))
    assert (end > at) == (bound == "at most")


def test_there_is_no_bar_without_a_limit_or_a_value():
    """No limit, no value or a person's answer: no bar. An unbounded uncertainty: a bar without a line."""
    assert limit_bar(plain_row(3.5, 0.1)) == ""
    assert limit_bar(row(None, upper_limit=4.0)) == ""
    assert limit_bar(row(0.0, unit="", lower_limit=1.0)) == ""
    assert "<circle" in limit_bar(row(3.5, uncertainty=math.inf, upper_limit=4.0))


def trace(low_hz, high_hz, count=41):
    """Return the points of a trace, with one line in its middle."""
    step_hz = (high_hz - low_hz) / (count - 1)
    return tuple(
        Point.of_trace(low_hz + at * step_hz, -20.0 if at == count // 2 else -80.0) for at in range(count)
    )


def test_a_trace_beside_a_channel_is_drawn_with_the_bands_that_are_summed():
    """One plot for both sides of a channel: each band's power and the limit stand in its caption; no search is made of it."""
    how = {
        "unit": "W",
        "upper_limit": 20e-6,
        "check": "adjacent_channel_power",
        "axis": "offset",
        "axis_unit": "Hz",
    }
    lower = replace(
        plain_row(3e-6, 1e-12, quantity="adjacent channel power, lower"),
        **how,
        axis_value=-10e3,
        points=trace(-16e3, 16e3),
    )
    upper = replace(plain_row(30e-6, 1e-12, quantity="adjacent channel power, upper"), **how, axis_value=10e3)
    assert search_curve(lower) is None
    (plot,) = spectrum_plots([lower, upper], "r1")
    assert (
        "adjacent channel power, lower 3 µW, adjacent channel power, upper 30 µW, limit 20 µW" in plot.caption
    )
    assert "<svg" in plot.svg


def test_ranges_of_one_mask_are_drawn_together():
    """Two ranges of one check make one plot, with the mask; those of another channel another one."""
    how = {"unit": "W", "upper_limit": 250e-9, "check": "spurious_emissions", "frequency_hz": 54.4e6}
    rows = [
        replace(plain_row(1e-9, 1e-12, quantity="spurious, low"), **how, points=trace(1e6, 30e6)),
        replace(plain_row(1e-6, 1e-12, quantity="spurious, high"), **how, points=trace(30e6, 300e6)),
        replace(plain_row(1e-9, 1e-12, quantity="spurious, low"), **how, channel=40, points=trace(1e6, 30e6)),
    ]
    assert len(spectrum_plots(rows, "r1")) == 2
    assert all("red line: the mask" in plot.caption for plot in spectrum_plots(rows, "r1"))
    assert all("$" not in plot.svg for plot in spectrum_plots(rows, "r1"))
    assert all("arrows: bounds" not in plot.caption for plot in spectrum_plots(rows, "r1"))
    hidden = [replace(rows[0], bound="at most"), *rows[1:]]
    assert ["arrows: bounds, at most" in plot.caption for plot in spectrum_plots(hidden, "r1")] == [
        True,
        False,
    ]
