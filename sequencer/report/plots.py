"""Draw the report's plots: a search's readings, a signal meter's curve, results along an axis.

Every plot has a title, and a caption that says what it shows and serves as its text alternative.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from matplotlib.ticker import FixedFormatter, FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from sequencer.problems import printable
from sequencer.report.bounds import bounds_text, mark_bound
from sequencer.report.crossings import SearchCurve, search_curve
from sequencer.report.paper import BLUE, GREY, INK, PALE, VERMILION, Plot, empty_axes, finished, name_series
from sequencer.report.series import MeterCurve, Series, Sweep, meter_curves_of, sweeps_of
from sequencer.report.spectra import spectrum_plots
from sequencer.report.timelines import time_plots
from sequencer.results.stored import StoredResult
from sequencer.results.text import limits_in_words
from sequencer.units.format import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LOOKS = (("o", "-", BLUE), ("s", "--", INK), ("^", ":", VERMILION), ("D", "-.", GREY))
_WINDOW_DB = 9.0
_SLOPE_REACH_DB = 2.0  # how far to either side of a crossing its slope is drawn
_SCALED = {
    "Hz": ((1e6, "MHz"), (1e3, "kHz")),
    "W": ((1.0, "W"), (1e-3, "mW"), (1e-6, "µW")),
    "V": ((1.0, "V"), (1e-3, "mV"), (1e-6, "µV")),
}


def plots_of(rows: Sequence[StoredResult], salt: str) -> list[Plot]:
    """Return the plots of one run's results. ``salt`` makes names inside the drawings unique on the page, and the same each time."""
    plots = [
        _search_plot(curve, row, f"{salt}-{row.id}")
        for row in rows
        if (curve := search_curve(row)) is not None
    ]
    plots += spectrum_plots(rows, salt)
    plots += time_plots(rows, salt)
    plots += [_meter_plot(curve, f"{salt}-m{at}") for at, curve in enumerate(meter_curves_of(rows))]
    plots += [_sweep_plot(sweep, f"{salt}-s{at}") for at, sweep in enumerate(sweeps_of(rows))]
    return plots


def _search_plot(curve: SearchCurve, row: StoredResult, salt: str) -> Plot:
    figure, axes = empty_axes()
    low, high, outside = _window(curve)
    shown = [(x, y) for x, y in zip(curve.levels_db, curve.readings, strict=True) if low <= x <= high]
    if curve.crossing_dbm is not None and curve.expanded_db is not None:
        left, right = curve.crossing_dbm - curve.expanded_db, curve.crossing_dbm + curve.expanded_db
        axes.axvspan(left, right, color=PALE, linewidth=0, zorder=0)
    if curve.crossing_dbm is not None and curve.target is not None and curve.slope is not None:
        ends = [curve.crossing_dbm - _SLOPE_REACH_DB, curve.crossing_dbm + _SLOPE_REACH_DB]
        axes.plot(ends, [curve.at(end) for end in ends], color=BLUE, zorder=2)
    if curve.target is not None:
        axes.axhline(curve.target, color=GREY, linestyle="--", linewidth=0.8, zorder=1)
        _crossing_mark(axes, curve)
    elif curve.crossing_dbm is not None:
        axes.axvline(curve.crossing_dbm, color=BLUE, linewidth=1.2, zorder=1)
    axes.plot([x for x, _ in shown], [y for _, y in shown], "o", mfc="white", mec=INK, mew=1.0, zorder=3)
    for x, _ in curve.blank:
        if low <= x <= high:
            axes.plot([x], [0.03], "x", color=VERMILION, transform=axes.get_xaxis_transform(), zorder=3)
    _limit_lines(axes, row, low, high)
    axes.set_xlim(low, high)
    axes.set_xlabel("level at the antenna connector, dBm" if row.unit == "dBm" else "level, dB")
    axes.set_ylabel(_labelled("reading", curve.target_unit))
    caption = _search_caption(curve, row, outside)
    return finished(figure, curve.title, caption, salt)


def _crossing_mark(axes: Axes, curve: SearchCurve) -> None:
    if curve.crossing_dbm is None or curve.target is None:
        return
    if curve.search_db is not None:
        ends = [curve.crossing_dbm - curve.search_db, curve.crossing_dbm + curve.search_db]
        axes.plot(
            ends, [curve.target, curve.target], color=BLUE, linewidth=3.2, solid_capstyle="butt", zorder=4
        )
    axes.plot([curve.crossing_dbm], [curve.target], "D", color=BLUE, mec="white", mew=0.6, ms=6, zorder=5)


def _limit_lines(axes: Axes, row: StoredResult, low: float, high: float) -> None:
    for limit, outwards in ((row.lower_limit, -1), (row.upper_limit, 1)):
        if limit is None or row.unit != "dBm" or not low <= limit <= high:
            continue
        axes.axvline(limit, color=VERMILION, linewidth=1.2)
        beyond = (limit, high) if outwards > 0 else (low, limit)
        axes.axvspan(*beyond, facecolor="none", edgecolor=VERMILION, hatch="////", linewidth=0, alpha=0.35)


def _window(curve: SearchCurve) -> tuple[float, float, int]:
    """Return the levels to show, and how many readings lie outside: a search begins far from where it ends."""
    levels = [*curve.levels_db, *(level for level, _ in curve.blank)]
    low, high = min(levels), max(levels)
    if curve.crossing_dbm is not None:
        reach = max(_WINDOW_DB / 3, 1.4 * (curve.expanded_db or 0.0))
        near = [x for x in levels if abs(x - curve.crossing_dbm) <= _WINDOW_DB]
        low = min([curve.crossing_dbm - reach, *near])
        high = max([curve.crossing_dbm + reach, *near])
    outside = sum(not low <= x <= high for x in levels)
    margin = 0.04 * (high - low) or 1.0
    return low - margin, high + margin, outside


def _search_caption(curve: SearchCurve, row: StoredResult, outside: int) -> str:
    count = len(curve.levels_db) + len(curve.blank)
    said = [f"{count} readings"]
    if outside:
        said[0] += f", {outside} of them at levels outside this window"
    if curve.blank:
        states = ", ".join(sorted({state for _, state in curve.blank}))
        said.append(f"crosses at the foot: no number ({states})")
    if curve.crossing_dbm is None:
        if row.value is None:
            said.append(f"no crossing found: {row.note}")
        said.append(_target_text(curve))
        return "; ".join(said) + "."
    mark = "diamond" if curve.target is not None else "upright line"
    said.append(f"{mark}: the crossing, {format_quantity(curve.crossing_dbm, 'dBm')}")
    if curve.slope is not None:
        said.append(f"line: slope found there, {curve.slope:.3g} {curve.target_unit} per dB")
    if curve.search_db is not None and curve.target is not None:
        said.append(f"thick bar: the search's 95 % interval, ±{curve.search_db:.2f} dB")
    if curve.expanded_db is not None:
        said.append(f"shaded: expanded uncertainty, ±{curve.expanded_db:.2f} dB")
    said.append(_target_text(curve))
    return "; ".join(said) + "."


def _target_text(curve: SearchCurve) -> str:
    if curve.target is None:
        return "the target is not known: it was not stored with this result"
    return f"dashed: target, {curve.target:.4g} {curve.target_unit}".rstrip()


def _meter_plot(curve: MeterCurve, salt: str) -> Plot:
    figure, axes = empty_axes()
    spreads = [row.uncertainty or 0.0 for row in curve.rows]
    if curve.nominal_dbm is not None:
        axes.plot(curve.nominal_dbm, curve.over_s9_db, color=GREY, linestyle="--", linewidth=0.9)
    axes.errorbar(
        curve.levels_dbm,
        curve.over_s9_db,
        xerr=spreads,
        fmt="o-",
        color=BLUE,
        mfc="white",
        elinewidth=0.9,
        capsize=2,
    )
    axes.yaxis.set_major_locator(FixedLocator(list(curve.over_s9_db)))
    axes.yaxis.set_major_formatter(
        FixedFormatter([name.removeprefix("S9").removesuffix(" dB") or name for name in curve.names])
    )
    axes.set_xlabel("level at the antenna connector, dBm")
    axes.set_ylabel("meter: S-units, dB over S9")
    caption = "Circles: level at which the meter stood at each mark, with its uncertainty; " + _scale_text(
        curve
    )
    return finished(figure, f"S-meter curve{curve.title.removeprefix('signal meter')}", caption, salt)


def _scale_text(curve: MeterCurve) -> str:
    if curve.nominal_dbm is None:
        return "the nominal scale is not known: it was not stored with these results."
    off_db = [level - nominal for level, nominal in zip(curve.levels_dbm, curve.nominal_dbm, strict=True)]
    name, furthest_db = max(zip(curve.names, off_db, strict=True), key=lambda one: abs(one[1]))
    return (
        f"dashed: the nominal scale, S9 at {curve.nominal_s9_dbm:g} dBm. "
        f"Furthest from it: {name}, by {furthest_db:+.1f} dB."
    )


def _sweep_plot(sweep: Sweep, salt: str) -> Plot:
    figure, axes = empty_axes()
    every = [value for one in sweep.series for value in one.values]
    factor, unit = _scaled(sweep.unit, max(abs(value) for value in every))
    for one, (marker, dashes, colour) in zip(sweep.series, _LOOKS * len(sweep.series), strict=False):
        values = [value / factor for value in one.values]
        spreads = [0.0 if row.bound else (row.uncertainty or 0.0) / factor for row in one.rows]
        axes.errorbar(
            one.x, values, yerr=spreads, marker=marker, linestyle="none" if sweep.of_channels else dashes, color=colour, mfc="white",
            elinewidth=0.9, capsize=2, label=printable(one.name),
        )  # fmt: skip
        for x, value, row in zip(one.x, values, one.rows, strict=True):
            mark_bound(axes, x, value, row.bound, colour)
    has_nominal = bool(sum(_draw_nominal(axes, one, factor) for one in sweep.series))
    drawn = _sweep_limits(axes, sweep, factor)
    _sweep_axes(axes, sweep, unit)
    if len(sweep.series) > 1:
        name_series(axes, [one.name for one in sweep.series])
    names = "; ".join(one.name for one in sweep.series)
    count = len({x for one in sweep.series for x in one.x})
    lowest, highest = (format_quantity(end, sweep.unit) for end in (min(every), max(every)))
    caption = f"{names}: {count} places, from {lowest} to {highest}; bars: expanded uncertainty"
    caption += bounds_text([row for one in sweep.series for row in one.rows])
    caption += "; grey dashes: nominal" if has_nominal else ""
    caption += "; ruled lines: limits, hatched beyond." if drawn else f". {_other_limits(sweep)}".rstrip()
    over = "channel" if sweep.of_channels else sweep.x_label.split(",")[0]
    title = sweep.title if "against" in sweep.title else f"{sweep.title}, against {over}"
    return finished(figure, title, caption, salt)


def _draw_nominal(axes: Axes, series: Series, factor: float) -> bool:
    """Draw what the results should be, where each of them says so."""
    nominal = [row.nominal for row in series.rows]
    if None in nominal:
        return False
    axes.plot(
        series.x,
        [one / factor for one in nominal if one is not None],
        color=GREY,
        linestyle="--",
        linewidth=0.9,
    )
    return True


def _sweep_axes(axes: Axes, sweep: Sweep, unit: str) -> None:
    if sweep.logarithmic:
        axes.set_xscale("log")
        axes.xaxis.set_major_locator(
            FixedLocator(_spread_out(sorted({x for one in sweep.series for x in one.x})))
        )
        axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
        axes.xaxis.set_minor_locator(NullLocator())
    elif sweep.of_channels:
        axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=9, steps=[1, 2, 5, 10]))
    axes.set_xlabel(sweep.x_label)
    # Along an axis the title names what was measured; the check's words would call a power "power against supply".
    name = sweep.series[0].name if sweep.of_channels and len(sweep.series) == 1 else ""
    axes.set_ylabel(_labelled(name, unit))


def _spread_out(places: list[float]) -> list[float]:
    """Return places of a logarithmic axis whose labels do not run into each other."""
    kept: list[float] = []
    least = (places[-1] / places[0]) ** 0.09
    for place in places:
        if not kept or place / kept[-1] >= least:
            kept.append(place)
    return kept


def _sweep_limits(axes: Axes, sweep: Sweep, factor: float) -> bool:
    """Rule off limits that are the same all along, where they lie near enough; the table has the others."""
    drawn = False
    low, high = axes.get_ylim()
    reach = high - low
    for name, outwards in (("lower_limit", -1), ("upper_limit", 1)):
        limits = {getattr(row, name) for one in sweep.series for row in one.rows}
        if len(limits) == 1 and (limit := limits.pop()) is not None:
            at = limit / factor
            # A limit far away would press the curve flat; the caption of the table has it anyway.
            if low - 2 * reach <= at <= high + 2 * reach:
                axes.axhline(at, color=VERMILION, linewidth=1.1)
                low, high = min(low, at), max(high, at)
                axes.axhspan(
                    at,
                    at + outwards * 9 * reach,
                    facecolor="none",
                    edgecolor=VERMILION,
                    hatch="////",
                    linewidth=0,
                    alpha=0.35,
                )
                drawn = True
    if drawn:
        axes.set_ylim(low - 0.05 * (high - low), high + 0.05 * (high - low))
    return drawn


def _other_limits(sweep: Sweep) -> str:
    said = sorted({limits_in_words(row) for one in sweep.series for row in one.rows} - {""})
    if not said:
        return ""
    return (
        f"The limits ({said[0]}) lie beyond the plot." if len(said) == 1 else "The limits stand in the table."
    )


def _scaled(unit: str, largest: float) -> tuple[float, str]:
    for factor, name in _SCALED.get(unit, ()):
        if largest >= factor:
            return factor, name
    return 1.0, unit


def _labelled(name: str, unit: str) -> str:
    return printable(", ".join(part for part in (name, unit) if part))
