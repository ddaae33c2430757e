"""Draw figures against time: the frequency of a carrier that comes or goes under its mask, its power, and the power of a long key-down."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from sequencer.report.paper import BLUE, GREY, INK, PALE, VERMILION, Plot, empty_axes, finished
from sequencer.results.settings import Settings
from sequencer.results.stored import StoredResult
from sequencer.units.format import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ROOM = 1.3  # times the highest of trace and mask
_LOWEST_DB = -45.0
OVER_TIME = "power_over_time"
"""The check whose trace is the power meter's, over seconds."""

Stretch = tuple[float, float, float]
"""From, to, s, and how far from 0 is still right, Hz."""


def time_plots(rows: Sequence[StoredResult], salt: str) -> list[Plot]:
    """Return a plot for each result whose points show a figure against time."""
    return [
        (_frequency_plot if row.unit == "Hz" else _power_plot)(row, f"{salt}-t{row.id}")
        for row in rows
        if row.has_timeline
    ]


def _frequency_plot(row: StoredResult, salt: str) -> Plot:
    figure, axes = empty_axes()
    times_ms = [one.at_s * 1e3 for one in row.points]
    is_release = times_ms[-1] <= 0.0
    off_khz = [math.nan if one.reading is None else one.reading / 1e3 for one in row.points]
    axes.axhline(0.0, color=GREY, linewidth=0.6, zorder=1)
    axes.plot(times_ms, off_khz, color=INK, linewidth=1.0, zorder=3)
    stretches = list(_release_mask(row) if is_release else _mask(row))
    _draw_mask(axes, stretches)
    top_khz = _ROOM * max(
        [abs(one) for one in off_khz if math.isfinite(one)] + [one[2] / 1e3 for one in stretches]
    )
    axes.set_ylim(-top_khz, top_khz)
    axes.set_xlim(min(times_ms), max(times_ms))
    moment = "the carrier had gone" if is_release else "the carrier came"
    axes.set_xlabel(f"time from when {moment}, ms")
    axes.set_ylabel("offset from the channel's frequency, kHz")
    said = [
        f"the carrier's frequency as PTT is {'released' if is_release else 'pressed'}, of the last recording, while the carrier is there"
    ]
    said += [f"red: the mask, {_in_words(stretches)}"] if stretches else []
    return finished(figure, _title(row, "frequency"), "; ".join(said) + ".", salt)


def _draw_mask(axes: Axes, stretches: Sequence[Stretch]) -> None:
    for from_s, to_s, most_hz in stretches:
        for side in (-1.0, 1.0):
            at_khz = side * most_hz / 1e3
            axes.plot([from_s * 1e3, to_s * 1e3], [at_khz, at_khz], color=VERMILION, linewidth=1.4, zorder=4)
            axes.fill_between(
                [from_s * 1e3, to_s * 1e3],
                at_khz,
                side * 10.0 * most_hz / 1e3,
                facecolor="none",
                edgecolor=VERMILION,
                hatch="////",
                linewidth=0.0,
                alpha=0.35,
                zorder=1,
            )


def _mask(row: StoredResult) -> Iterator[Stretch]:
    """Yield the windows after the carrier came that have a limit, as the check was told."""
    windows = row.settings.find("windows") if row.settings is not None else None
    for one in windows if isinstance(windows, tuple) else ():
        if isinstance(one, Settings):
            yield from _stretch(one.find("from_s"), one.find("to_s"), one.find("max_hz"))


def _release_mask(row: StoredResult) -> Iterator[Stretch]:
    release = row.settings.find("release") if row.settings is not None else None
    if isinstance(release, Settings) and isinstance(before_s := release.find("before_s"), int | float):
        yield from _stretch(-float(before_s), 0.0, release.find("max_hz"))


def _stretch(*ends: object) -> Iterator[Stretch]:
    found = [float(one) for one in ends if isinstance(one, int | float)]
    if len(found) == len(ends):
        yield found[0], found[1], found[2]


def _in_words(stretches: Sequence[Stretch]) -> str:
    return ", ".join(
        f"±{format_quantity(most_hz, 'Hz')} from {from_s * 1e3:g} ms to {to_s * 1e3:g} ms"
        for from_s, to_s, most_hz in stretches
    )


def _power_plot(row: StoredResult, salt: str) -> Plot:
    figure, axes = empty_axes()
    times_s = [one.at_s for one in row.points]
    is_long = row.check == OVER_TIME
    shown = [one if is_long else 1e3 * one for one in times_s]
    levels = [math.nan if one.reading is None else one.reading for one in row.points]
    axes.plot(shown, levels, color=INK, linewidth=1.0, marker="." if is_long else "", markersize=3, zorder=3)
    axes.set_xlim(min(shown), max(shown))
    unit = "s" if is_long else "ms"
    if is_long:
        axes.set_xlabel("time from when PTT was pressed, s")
        axes.set_ylabel("power, dBm")
        return finished(
            figure,
            _title(row, "power"),
            "the power from pressing PTT to releasing it, as the power meter reads it.",
            salt,
        )
    axes.set_ylim(max(_LOWEST_DB, min(levels)), 4.0)
    axes.set_xlabel(f"time from the order, {unit}")
    axes.set_ylabel("power, dB of the steady one")
    said = ["the power, of the last recording, counted from when the order for PTT was given"]
    said += _corridor(axes, row, shown[-1])
    return finished(figure, _title(row, "power"), "; ".join(said) + ".", salt)


def _corridor(axes: Axes, row: StoredResult, end: float) -> list[str]:
    """Shade where the power has to stay from the limit on, and return that in words; nothing for a check that has no such place."""
    edges = [
        row.settings.find(name) if row.settings is not None else None for name in ("below_db", "above_db")
    ]
    below, above = (float(one) if isinstance(one, int | float) else None for one in edges)
    if row.check != "time_to_power" or below is None or above is None or row.value is None:
        return []
    axes.axvspan(row.value * 1e3, end, color=PALE, linewidth=0, zorder=0)
    axes.axhline(-below, color=BLUE, linestyle="--", linewidth=0.8, zorder=2)
    axes.axhline(above, color=BLUE, linestyle="--", linewidth=0.8, zorder=2)
    said = [
        f"dashed: {below:g} dB below and {above:g} dB above the steady power",
        "shaded: from the result on",
    ]
    if row.upper_limit is not None:
        axes.axvline(row.upper_limit * 1e3, color=VERMILION, linewidth=1.2, zorder=4)
        said.append(f"red line: the limit, {format_quantity(row.upper_limit, 's')}")
    return [*said, "what the push-to-talk line takes is in the trace, and not in the result"]


def _title(row: StoredResult, what: str) -> str:
    channel = "" if row.channel is None else f", channel {row.channel}"
    return f"{row.check.replace('_', ' ')}, {what}{channel}, {row.mode}"
