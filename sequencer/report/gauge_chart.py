"""Draw a gauge study's readings as inline SVG: unit by unit, a shape for each operator, a stroke at the mean of each cell."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence

from markupsafe import Markup, escape

from sequencer.report.bars import BLUE, INK, RED

WIDTH, HEIGHT = 640.0, 240.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 8.0, 96.0, 12.0, 30.0
_PALE = "#eef2f5"
SHAPES = (
    "circle",
    "square",
    "triangle",
    "diamond",
    "open circle",
    "open square",
    "open triangle",
    "open diamond",
)
MOST_NAMED = 16
"""Units whose serials stand under the drawing; of more, the table beside it names them."""

Readings = Mapping[tuple[str, str], Sequence[float]]


def shape_of(at: int) -> str:
    """Return the shape of operator number ``at``; after eight they come again."""
    return SHAPES[at % len(SHAPES)]


def readings_chart(
    readings: Readings, *, lower: float | None, upper: float | None, title: str, shown: Callable[[float], str]
) -> tuple[Markup, bool]:
    """Return the drawing, and whether both limits, as far as there are any, stand in it: far ones would leave no room for the scatter."""
    units = list(dict.fromkeys(unit for unit, _ in readings))
    operators = list(dict.fromkeys(operator for _, operator in readings))
    values = [one for cell in readings.values() for one in cell]
    limits = [one for one in (lower, upper) if one is not None]
    spread = (max(values) - min(values)) or abs(max(values)) or 1.0
    near = [one for one in limits if min(values) - 2.0 * spread <= one <= max(values) + 2.0 * spread]
    scale = _Scale(min((*values, *near)), max((*values, *near)), len(units), len(operators))
    parts = [*_bands(scale, units)]
    parts += [
        _stroke(f"M{_LEFT:g} {scale.y(one):.1f}H{WIDTH - _RIGHT:g}", RED, 1.2, dash="6 4") for one in near
    ]
    for (unit, operator), cell in readings.items():
        if not cell:
            continue
        band, lane = units.index(unit), operators.index(operator)
        x, mean = scale.x(band, lane), scale.y(statistics.fmean(cell))
        reach = 0.45 * scale.lane
        parts.append(_stroke(f"M{x - reach:.1f} {mean:.1f}H{x + reach:.1f}", INK, 1.4))
        parts += [_mark(shape_of(lane), x, scale.y(one)) for one in cell]
    parts += _labels(scale, (max(values), statistics.fmean(values), min(values)), shown)
    ends = f"{shown(min(values))} to {shown(max(values))}"
    said = f"{title}: {len(values)} readings of {len(units)} units by {len(operators)} operators, {ends}"
    drawing = Markup(
        '<svg class="plot" viewBox="0 0 {w:g} {h:g}" role="img" aria-label="{said}">{parts}</svg>'
    ).format(w=WIDTH, h=HEIGHT, said=escape(said), parts=Markup("").join(parts))
    return drawing, len(near) == len(limits)


class _Scale:
    """From units, operators and values to the drawing."""

    def __init__(self, low: float, high: float, units: int, operators: int) -> None:
        margin = 0.08 * ((high - low) or abs(high) or 1.0)
        self._low, self._high = low - margin, high + margin
        self.band = (WIDTH - _LEFT - _RIGHT) / units
        self.lane = 0.8 * self.band / operators
        self._operators = operators

    def x(self, unit: int, operator: float) -> float:
        return _LEFT + self.band * (unit + 0.5) + self.lane * (operator - (self._operators - 1) / 2)

    def y(self, value: float) -> float:
        return _TOP + (HEIGHT - _TOP - _BOTTOM) * (self._high - value) / (self._high - self._low)


def _bands(scale: _Scale, units: Sequence[str]) -> list[Markup]:
    """Return every other unit on a pale ground, and the serials under them as far as they find room."""
    found = []
    room = max(2, math.floor(scale.band / 6.5))
    for at, unit in enumerate(units):
        left = _LEFT + at * scale.band
        if at % 2:
            found.append(
                Markup('<rect x="{:.1f}" y="{:g}" width="{:.1f}" height="{:.1f}" fill="{}"/>').format(
                    left, _TOP, scale.band, HEIGHT - _TOP - _BOTTOM, _PALE
                )
            )
        if len(units) <= MOST_NAMED:
            name = unit if len(unit) <= room else f"…{unit[1 - room :]}"
            found.append(
                Markup(
                    '<text x="{:.1f}" y="{:.1f}" font-size="11" text-anchor="middle" fill="{}">{}</text>'
                ).format(left + scale.band / 2, HEIGHT - 10.0, INK, escape(name))
            )
    return found


def _mark(shape: str, x: float, y: float) -> Markup:
    kind = shape.removeprefix("open ")
    fill = "#fff" if shape.startswith("open ") else BLUE
    if kind == "circle":
        return Markup('<circle cx="{:.1f}" cy="{:.1f}" r="3" fill="{}" stroke="{}"/>').format(
            x, y, fill, BLUE
        )
    corners = {
        "square": ((-2.8, -2.8), (2.8, -2.8), (2.8, 2.8), (-2.8, 2.8)),
        "triangle": ((0.0, -3.6), (3.4, 2.6), (-3.4, 2.6)),
        "diamond": ((0.0, -4.0), (4.0, 0.0), (0.0, 4.0), (-4.0, 0.0)),
    }[kind]
    path = "L".join(f"{x + dx:.1f} {y + dy:.1f}" for dx, dy in corners)
    return Markup('<path d="M{}Z" fill="{}" stroke="{}"/>').format(path, fill, BLUE)


def _labels(scale: _Scale, values: Sequence[float], shown: Callable[[float], str]) -> list[Markup]:
    """Return the largest, the mean and the smallest reading, no two on each other."""
    found: list[Markup] = []
    last = -100.0
    for value in values:
        last = max(scale.y(value) + 4.0, last + 13.0)
        found.append(
            Markup('<text x="{:.1f}" y="{:.1f}" font-size="12" fill="{}">{}</text>').format(
                WIDTH - _RIGHT + 6.0, last, INK, shown(value)
            )
        )
    return found


def _stroke(path: str, colour: str, width: float, *, dash: str = "") -> Markup:
    dashed = Markup(' stroke-dasharray="{}"').format(dash) if dash else Markup("")
    return Markup('<path d="{}" fill="none" stroke="{}" stroke-width="{:g}"{}/>').format(
        path, colour, width, dashed
    )
