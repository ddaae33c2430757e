"""The report's plots, drawn by matplotlib as SVG that stands inside the page.

Shapes and line styles carry the meaning and colours repeat it: blue and vermilion of a palette that colour-blind readers tell apart
(Okabe and Ito). Every plot has a title and a text alternative that says what it shows.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from markupsafe import Markup
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import (
    FixedFormatter,
    FixedLocator,
    FuncFormatter,
    MaxNLocator,
    NullLocator,
    ScalarFormatter,
)

from sequencer.problems import printable
from sequencer.report.crossings import NEAR_DB, SearchCurve, search_curve
from sequencer.report.series import MeterCurve, Sweep, meter_curves_of, sweeps_of
from sequencer.results.text import limits_in_words, with_minus
from sequencer.units.format import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, GREY, PALE, BLUE, VERMILION = "#1b1b1b", "#6a6a6a", "#dfe8ef", "#005a8c", "#a63d00"
_LOOKS = (("o", "-", BLUE), ("s", "--", INK), ("^", ":", VERMILION), ("D", "-.", GREY))
_WINDOW_DB = 9.0
_SIZE_IN = (4.5, 2.85)
_STYLE: Any = {
    "svg.fonttype": "none",  # text stays text: it can be searched, read aloud, and takes the page's type
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
    "font.family": "sans-serif",
    "font.size": 8.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.6,
    "axes.labelcolor": INK,
    "axes.unicode_minus": True,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "lines.linewidth": 1.2,
    "lines.markersize": 4.5,
    "hatch.linewidth": 0.5,
    "path.simplify": False,
}
_SCALED = {
    "Hz": ((1e6, "MHz"), (1e3, "kHz")),
    "W": ((1.0, "W"), (1e-3, "mW"), (1e-6, "µW")),
    "V": ((1.0, "V"), (1e-3, "mV"), (1e-6, "µV")),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """One plot: the drawing, its title, and in words what it shows."""

    svg: Markup
    title: str
    caption: str


def plots_of(rows: Sequence[Mapping[str, Any]], salt: str) -> list[Plot]:
    """Return the plots of one run's results. ``salt`` makes names inside the drawings unique on the page, and the same each time."""
    plots = [
        _search_plot(curve, row, f"{salt}-{row.get('id', at)}")
        for at, row in enumerate(rows)
        if (curve := search_curve(row)) is not None
    ]
    plots += [_meter_plot(curve, f"{salt}-m{at}") for at, curve in enumerate(meter_curves_of(rows))]
    plots += [_sweep_plot(sweep, f"{salt}-s{at}") for at, sweep in enumerate(sweeps_of(rows))]
    return plots


def _search_plot(curve: SearchCurve, row: Mapping[str, Any], salt: str) -> Plot:
    figure, axes = _axes()
    low, high, outside = _window(curve)
    shown = [(x, y) for x, y in zip(curve.levels_db, curve.readings, strict=True) if low <= x <= high]
    if curve.crossing_dbm is not None and curve.expanded_db is not None:
        left, right = curve.crossing_dbm - curve.expanded_db, curve.crossing_dbm + curve.expanded_db
        axes.axvspan(left, right, color=PALE, linewidth=0, zorder=0)
    if curve.crossing_dbm is not None and curve.target is not None and curve.slope is not None:
        reach = NEAR_DB + 0.5
        levels = np.linspace(max(low, curve.crossing_dbm - reach), min(high, curve.crossing_dbm + reach), 60)
        told = [y for _, y in shown]
        drawn = np.array([curve.at(x) for x in levels])
        room = 0.15 * (max(told) - min(told))
        inside = (drawn >= min(told) - room) & (drawn <= max(told) + room)
        axes.plot(levels[inside], drawn[inside], color=BLUE, zorder=2)
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
    axes.set_xlabel("level at the antenna connector, dBm" if row["unit"] == "dBm" else "level, dB")
    axes.set_ylabel(_labelled(curve.reading_name, curve.reading_unit))
    caption = _search_caption(curve, row, outside)
    return _plot(figure, curve.title, caption, salt)


def _crossing_mark(axes: Axes, curve: SearchCurve) -> None:
    if curve.crossing_dbm is None or curve.target is None:
        return
    if curve.search_db is not None:
        ends = [curve.crossing_dbm - curve.search_db, curve.crossing_dbm + curve.search_db]
        axes.plot(
            ends, [curve.target, curve.target], color=BLUE, linewidth=3.2, solid_capstyle="butt", zorder=4
        )
    axes.plot([curve.crossing_dbm], [curve.target], "D", color=BLUE, mec="white", mew=0.6, ms=6, zorder=5)


def _limit_lines(axes: Axes, row: Mapping[str, Any], low: float, high: float) -> None:
    for limit, outwards in ((row["lower_limit"], -1), (row["upper_limit"], 1)):
        if limit is None or row["unit"] != "dBm" or not low <= limit <= high:
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


def _search_caption(curve: SearchCurve, row: Mapping[str, Any], outside: int) -> str:
    count = len(curve.levels_db) + len(curve.blank)
    said = [f"{count} readings"]
    if outside:
        said[0] += f", {outside} of them at levels outside this window"
    if curve.blank:
        states = ", ".join(sorted({state for _, state in curve.blank}))
        said.append(f"crosses at the foot: no number ({states})")
    if curve.crossing_dbm is None:
        said.append(f"no crossing found: {row['note']}" if row["value"] is None else "readings alone")
        return "; ".join(said) + "."
    if curve.slope is not None:
        said.append("line: fitted curve")
    mark = "diamond" if curve.target is not None else "upright line"
    said.append(f"{mark}: the crossing, {format_quantity(curve.crossing_dbm, 'dBm')}")
    if curve.search_db is not None and curve.target is not None:
        said.append(f"thick bar: the search's 95 % interval, ±{curve.search_db:.2f} dB")
    if curve.expanded_db is not None:
        said.append(f"shaded: expanded uncertainty, ±{curve.expanded_db:.2f} dB")
    if curve.target is not None:
        what = "target" if curve.target_is_stated else "reading at the crossing"
        said.append(f"dashed: {what}, {curve.target:.4g} {curve.reading_unit}".rstrip())
    return "; ".join(said) + "."


def _meter_plot(curve: MeterCurve, salt: str) -> Plot:
    figure, axes = _axes()
    nominal = [curve.s9_dbm + over for over in curve.over_s9_db]
    levels = [row["value"] for row in curve.rows]
    spreads = [row["uncertainty"] or 0.0 for row in curve.rows]
    ends = [min(nominal + levels), max(nominal + levels)]
    axes.plot(ends, [end - curve.s9_dbm for end in ends], color=GREY, linestyle="--", linewidth=0.9)
    axes.errorbar(
        levels, curve.over_s9_db, xerr=spreads, fmt="o-", color=BLUE, mfc="white", elinewidth=0.9, capsize=2
    )
    axes.yaxis.set_major_locator(FixedLocator(list(curve.over_s9_db)))
    axes.yaxis.set_major_formatter(
        FixedFormatter([printable(name).replace("S9+", "+") for name in curve.names])
    )
    axes.set_xlabel("level at the antenna connector, dBm")
    axes.set_ylabel("meter")
    worst = max(zip(curve.names, levels, nominal, strict=True), key=lambda one: abs(one[1] - one[2]))
    caption = (
        "Circles: level at which the meter stood at each mark, with its uncertainty; dashed: the nominal scale, "
        f"S9 at {curve.s9_dbm:g} dBm and 6 dB an S-unit. Furthest from it: {worst[0]}, by {worst[1] - worst[2]:+.1f} dB."
    )
    return _plot(figure, f"S-meter curve, {curve.title.removeprefix('signal meter, ')}", caption, salt)


def _sweep_plot(sweep: Sweep, salt: str) -> Plot:
    figure, axes = _axes()
    every = [row["value"] for one in sweep.series for row in one.rows]
    factor, unit = _scaled(sweep.unit, max(abs(value) for value in every))
    for one, (marker, dashes, colour) in zip(sweep.series, _LOOKS * len(sweep.series), strict=False):
        values = [row["value"] / factor for row in one.rows]
        spreads = [(row["uncertainty"] or 0.0) / factor for row in one.rows]
        axes.errorbar(
            one.x, values, yerr=spreads, marker=marker, linestyle="none" if sweep.of_channels else dashes, color=colour, mfc="white",
            elinewidth=0.9, capsize=2, label=printable(one.name),
        )  # fmt: skip
    drawn = _sweep_limits(axes, sweep, factor)
    _sweep_axes(axes, sweep, unit)
    if len(sweep.series) > 1:
        axes.legend(frameon=False, fontsize=7, loc="best", handlelength=2.6)
    names = "; ".join(one.name for one in sweep.series)
    count = len({x for one in sweep.series for x in one.x})
    lowest, highest = (format_quantity(end, sweep.unit) for end in (min(every), max(every)))
    caption = f"{names}: {count} places, from {lowest} to {highest}; bars: expanded uncertainty"
    caption += "; ruled lines: limits, hatched beyond." if drawn else f". {_far_limits(sweep)}".rstrip()
    over = "channel" if sweep.of_channels else sweep.x_label.split(",")[0]
    title = sweep.title if "against" in sweep.title else f"{sweep.title}, against {over}"
    return _plot(figure, title, caption, salt)


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
    name = sweep.series[0].name if len(sweep.series) == 1 else sweep.title.split(",")[0]
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
    """Rule off limits that are the same all along; draw those that are not as short bars beside their point."""
    drawn = False
    low, high = axes.get_ylim()
    reach = high - low
    for name, outwards in (("lower_limit", -1), ("upper_limit", 1)):
        limits = {row[name] for one in sweep.series for row in one.rows}
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


def _far_limits(sweep: Sweep) -> str:
    said = {limits_in_words(row) for one in sweep.series for row in one.rows} - {""}
    return f"The limits ({'; '.join(sorted(said))}) lie beyond the plot." if said else ""


def _scaled(unit: str, largest: float) -> tuple[float, str]:
    for factor, name in _SCALED.get(unit, ()):
        if largest >= factor:
            return factor, name
    return 1.0, unit


def _labelled(name: str, unit: str) -> str:
    return printable(f"{name}, {unit}" if unit else name)


@cache
def _paper() -> tuple[Figure, Axes]:
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=_SIZE_IN)
        FigureCanvasSVG(figure)
        axes = figure.add_axes((0.135, 0.165, 0.84, 0.80))
        axes.tick_params(length=3, width=0.6)
    return figure, axes


def _axes() -> tuple[Figure, Axes]:
    """Return empty axes. They are made once and wiped: to make them anew takes longer than to draw on them."""
    figure, axes = _paper()
    for container in list(axes.containers):
        container.remove()
    for artist in (*axes.lines, *axes.collections, *axes.patches):
        artist.remove()
    if (legend := axes.get_legend()) is not None:
        legend.remove()
    for set_scale, axis in ((axes.set_xscale, axes.xaxis), (axes.set_yscale, axes.yaxis)):
        set_scale("linear")
        axis.set_major_locator(MaxNLocator(nbins=7, steps=[1, 2, 2.5, 5, 10]))
        axis.set_major_formatter(ScalarFormatter(useOffset=False))
    axes.set_prop_cycle(None)
    axes.relim()
    axes.autoscale(enable=True)
    return figure, axes


def _plot(figure: Figure, title: str, caption: str, salt: str) -> Plot:
    drawn = io.StringIO()
    style: Any = {**_STYLE, "svg.hashsalt": salt}
    with mpl.rc_context(style):
        figure.savefig(
            drawn, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    title, caption = printable(title), with_minus(printable(caption))
    return Plot(svg=_inline(drawn.getvalue(), f"{title}. {caption}"), title=title, caption=caption)


def _inline(svg: str, said: str) -> Markup:
    """Return the drawing to stand inside a page: without prologue, fixed size and the names that no drawing refers to."""
    body = svg[svg.index("<svg") :]
    width, height = (float(x) for x in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', body).groups())  # type: ignore[union-attr]
    inner = body[body.index(">") + 1 :]
    inner = re.sub(r"<metadata>.*?</metadata>", "", inner, flags=re.DOTALL)
    inner = re.sub(r'<g id="[^"]*"', "<g", inner)
    inner = re.sub(r"\s*<style[^>]*>.*?</style>", "", inner, flags=re.DOTALL)
    head = Markup(
        '<svg class="plot" xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        'viewBox="0 0 {:g} {:g}" role="img" aria-label="{}">'
    ).format(width, height, said)
    return head + Markup(inner)  # matplotlib escapes the text it draws
