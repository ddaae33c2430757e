"""Draw what a spectrum analyser saw: the channel with the bands beside it, and ranges of frequency under their mask."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from sequencer.report.bounds import bounds_text, mark_bound
from sequencer.report.paper import BLUE, GREY, INK, PALE, VERMILION, Plot, empty_axes, finished
from sequencer.results.stored import StoredResult
from sequencer.results.text import with_bound
from sequencer.units.convert import dbm_from_w
from sequencer.units.format import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BESIDE = "offset"
"""The axis along which the bands beside a channel stand."""


def spectrum_plots(rows: Sequence[StoredResult], salt: str) -> list[Plot]:
    """Return a plot for each trace beside a channel, and one for all ranges of a mask that one check swept."""
    plots: list[Plot] = []
    ranges: dict[Any, list[StoredResult]] = defaultdict(list)
    for row in rows:
        if not row.has_spectrum:
            continue
        if frequencies_hz(row)[0] < 0.0:
            plots.append(_channel_plot(row, rows, f"{salt}-f{row.id}"))
        else:
            ranges[row.check, row.check_index, row.channel, row.mode].append(row)
    plots += [_mask_plot(some, f"{salt}-f{some[0].id}") for some in ranges.values()]
    return plots


def _channel_plot(row: StoredResult, rows: Sequence[StoredResult], salt: str) -> Plot:
    figure, axes = empty_axes()
    offsets_khz = [at_hz / 1e3 for at_hz in frequencies_hz(row)]
    axes.plot(offsets_khz, [_level(one.reading) for one in row.points], color=INK, linewidth=0.9, zorder=3)
    said = [f"the spectrum about the channel, {_filter_text(row)}"]
    if row.axis == BESIDE:
        said += _bands(axes, row, rows)
    elif row.value is not None:
        half_khz = row.value / 2e3
        axes.axvspan(-half_khz, half_khz, color=PALE, linewidth=0, zorder=0)
        said.append(
            f"shaded: {row.quantity}, {format_quantity(float(f'{row.value:.4g}'), row.unit)}, drawn about the channel's frequency"
        )
    axes.set_xlim(offsets_khz[0], offsets_khz[-1])
    axes.set_xlabel("offset from the channel's frequency, kHz")
    axes.set_ylabel("level at the antenna connector, dBm")
    return finished(figure, f"{row.check.replace('_', ' ')}{_where(row)}", "; ".join(said) + ".", salt)


def _bands(axes: Axes, row: StoredResult, rows: Sequence[StoredResult]) -> list[str]:
    """Shade the bands beside the channel, and return what each of them holds."""
    width_hz = row.settings.find("bandwidth_hz") if row.settings is not None else None
    half_hz = float(width_hz) / 2.0 if isinstance(width_hz, int | float) else 0.0
    same = (row.check, row.check_index, row.channel, row.mode)
    beside = [
        one
        for one in rows
        if (one.check, one.check_index, one.channel, one.mode) == same
        and one.unit == "W"
        and one.axis_value is not None
    ]
    for one in beside:
        middle_hz = one.axis_value or 0.0
        failed = one.value is not None and one.upper_limit is not None and one.value > one.upper_limit
        colour = VERMILION if failed else BLUE
        axes.axvspan(
            (middle_hz - half_hz) / 1e3,
            (middle_hz + half_hz) / 1e3,
            color=colour,
            alpha=0.18,
            linewidth=0,
            zorder=0,
        )
    held = [
        f"{one.quantity} {with_bound(one.bound, format_quantity(one.value, 'W'))}"
        for one in beside
        if one.value is not None
    ]
    limit = f", limit {format_quantity(row.upper_limit, 'W')}" if row.upper_limit is not None else ""
    return [f"shaded: the bands that are summed ({', '.join(held) or 'nothing measured'}{limit})"]


def _mask_plot(rows: Sequence[StoredResult], salt: str) -> Plot:
    figure, axes = empty_axes()
    for row in rows:
        at_mhz = [at_hz / 1e6 for at_hz in frequencies_hz(row)]
        axes.plot(at_mhz, [_level(one.reading) for one in row.points], color=INK, linewidth=0.7, zorder=2)
        if row.upper_limit is not None:
            limit_dbm = dbm_from_w(row.upper_limit)
            axes.plot(
                [at_mhz[0], at_mhz[-1]], [limit_dbm, limit_dbm], color=VERMILION, linewidth=1.4, zorder=4
            )
        if row.value is not None and row.frequency_hz is not None:
            failed = row.upper_limit is not None and row.value > row.upper_limit
            colour = VERMILION if failed else BLUE
            axes.plot(
                [row.frequency_hz / 1e6],
                [dbm_from_w(row.value)],
                "D",
                color=colour,
                mec="white",
                mew=0.6,
                ms=6,
                zorder=5,
            )
            mark_bound(axes, row.frequency_hz / 1e6, dbm_from_w(row.value), row.bound, colour)
    _plain_log(axes)
    axes.set_xlabel("frequency, MHz")
    axes.set_ylabel("level at the antenna connector, dBm")
    axes.grid(True, which="major", color=GREY, alpha=0.25, linewidth=0.5)
    said = (
        "each range with its reference bandwidth and a peak detector, a keyed channel left out; red line: the mask; diamonds: the highest "
        "of each range, looked at by itself (where noise hides it, with a narrower filter, so that it lies below the trace)"
    )
    said += bounds_text([row for row in rows if row.value is not None and row.frequency_hz is not None])
    return finished(figure, f"{rows[0].check.replace('_', ' ')}{_where(rows[0])}", f"{said}.", salt)


def _plain_log(axes: Axes) -> None:
    """Have frequencies along a logarithmic axis written as plain numbers: texts of powers would stand in an SVG as they are coded."""
    from matplotlib.ticker import FuncFormatter, LogLocator

    axes.set_xscale("log")
    axes.xaxis.set_minor_locator(LogLocator(subs=(2.0, 3.0, 5.0)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda number, _: f"{number:g}"))
    axes.xaxis.set_minor_formatter(FuncFormatter(lambda number, _: f"{number:g}"))


def frequencies_hz(row: StoredResult) -> list[float]:
    """Return where the points of a row's trace lie, Hz; of a trace about a channel from its frequency on."""
    return [math.nan if one.frequency_hz is None else one.frequency_hz for one in row.points]


def _level(reading: float | None) -> float:
    return math.nan if reading is None else reading


def _filter_text(row: StoredResult) -> str:
    width_hz = row.settings.find("resolution_bandwidth_hz") if row.settings is not None else None
    return (
        f"as a filter of {width_hz:g} Hz shows it"
        if isinstance(width_hz, int | float)
        else "as the analyser shows it"
    )


def _where(row: StoredResult) -> str:
    channel = "" if row.channel is None else f", channel {row.channel}"
    return f"{channel}, {row.mode}"
