"""Draws one quantity of a unit over time as SVG: values with their uncertainty, between their limits. A table beside it has the figures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime

from markupsafe import Markup, escape

from sequencer.analysis.history import History, HistoryPoint
from sequencer.frozen import dataclass
from sequencer.results.text import with_minus
from sequencer.units.format import format_quantity, written

WIDTH, HEIGHT = 640.0, 190.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 104.0, 150.0, 12.0, 24.0
_FEW_TICKS = 4
MOST_DRAWN = 400
"""Points that are drawn; of more, the newest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    first_s: float
    span_s: float
    low: float
    high: float

    def x(self, at_s: float) -> float:
        return _LEFT + 10.0 + (WIDTH - _LEFT - _RIGHT - 20.0) * (at_s - self.first_s) / self.span_s

    def y(self, value: float) -> float:
        return _TOP + (HEIGHT - _TOP - _BOTTOM) * (self.high - value) / (self.high - self.low)


def history_chart(one: History) -> Markup:
    """Return the chart; nothing where there is no value."""
    points = [point for point in one.points if point.value is not None][-MOST_DRAWN:]
    if not points:
        return Markup("")
    limits = [limit for limit in (one.lower_limit, one.upper_limit) if limit is not None]
    scale = _scale(points, limits)
    parts = [
        *_ticks(scale, one.unit),
        *_limits(scale, one),
        *(_point(scale, point, limits=(one.lower_limit, one.upper_limit)) for point in points),
    ]
    parts += _dates(scale, points)
    said = f"{one.quantity} of {one.serial}: {len(points)} values from {points[0].time[:10]} to {points[-1].time[:10]}"
    return Markup('<svg class="plot" viewBox="0 0 {:g} {:g}" role="img" aria-label="{}">{}</svg>').format(
        WIDTH, HEIGHT, escape(said), Markup("").join(parts)
    )


def _scale(points: Sequence[HistoryPoint], limits: Sequence[float]) -> _Scale:
    times = [_at_s(point) for point in points]
    ends = [value for point in points for value in _ends(point)]
    low, high = min(ends), max(ends)
    # a limit far away would press the values into one line
    near = [limit for limit in limits if low - 3 * (high - low) <= limit <= high + 3 * (high - low)]
    low, high = min([low, *near]), max([high, *near])
    margin = 0.08 * ((high - low) or abs(high) or 1.0)
    return _Scale(
        first_s=times[0] if times[-1] > times[0] else times[0] - 0.5,
        span_s=(times[-1] - times[0]) or 1.0,
        low=low - margin,
        high=high + margin,
    )


def _at_s(point: HistoryPoint) -> float:
    return datetime.fromisoformat(point.time).timestamp()


def _ends(point: HistoryPoint) -> tuple[float, float]:
    assert point.value is not None
    spread = point.expanded if point.expanded is not None and point.expanded < float("inf") else 0.0
    return point.value - spread, point.value + spread


def _ticks(scale: _Scale, unit: str) -> Iterator[Markup]:
    """Yield a few round values of the axis, each worded as the reports word it, with as many digits as tell them apart."""
    values = tick_values(scale.low, scale.high)
    words = [format_quantity(value, unit) for value in values]
    if len(set(words)) < len(words):
        words = [written(value, unit) for value in values]
    if len(set(words)) < len(words):
        words = [f"{value:.12g} {unit}".strip() for value in values]
    for value, text in zip(values, words, strict=True):
        y = scale.y(value)
        yield Markup('<path class="tick" d="M{:g} {:.1f}H{:g}"/>').format(_LEFT, y, WIDTH - _RIGHT)
        yield Markup('<text class="tick" x="{:g}" y="{:.1f}" text-anchor="end">{}</text>').format(
            _LEFT - 6.0, y + 4.0, with_minus(text)
        )


def tick_values(low: float, high: float) -> list[float]:
    """Return at most five round values (1, 2 or 5 of a decade apart) from ``low`` to ``high``, which is above it."""
    rough = (high - low) / _FEW_TICKS
    decade = 10.0 ** math.floor(math.log10(rough))
    step = next(step for step in (decade, 2.0 * decade, 5.0 * decade, 10.0 * decade) if step >= rough)
    digits = max(0, 1 - math.floor(math.log10(step)))
    return [round(at * step, digits) for at in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _limits(scale: _Scale, one: History) -> Iterator[Markup]:
    last = -100.0
    for limit, word in ((one.upper_limit, "at most"), (one.lower_limit, "at least")):
        if limit is None or not scale.low <= limit <= scale.high:
            continue
        y = scale.y(limit)
        last = max(y + 4.0, last + 14.0)
        yield Markup('<path class="limit" d="M{:g} {:.1f}H{:g}"/>').format(_LEFT, y, WIDTH - _RIGHT)
        text = with_minus(f"{word} {format_quantity(limit, one.unit)}")
        yield Markup('<text x="{:g}" y="{:.1f}">{}</text>').format(WIDTH - _RIGHT + 6.0, last, text)


def _point(scale: _Scale, point: HistoryPoint, *, limits: tuple[float | None, float | None]) -> Markup:
    assert point.value is not None
    x, y = scale.x(_at_s(point)), scale.y(point.value)
    low, high = (scale.y(end) for end in _ends(point))
    kind = "left-out" if point.left_out else "value"
    whisker = Markup('<path class="{}" d="M{:.1f} {:.1f}V{:.1f}M{:.1f} {:.1f}h8M{:.1f} {:.1f}h8"/>').format(
        kind, x, low, high, x - 4, low, x - 4, high
    )
    lower, upper = limits
    outside = (upper is not None and point.value > upper) or (lower is not None and point.value < lower)
    if outside:  # told by its shape
        cross = Markup('<path class="outside" d="M{0:.1f} {1:.1f}l8 8M{2:.1f} {1:.1f}l-8 8"/>')
        return whisker + cross.format(x - 4, y - 4, x + 4)
    return whisker + Markup('<circle class="{}" cx="{:.1f}" cy="{:.1f}" r="3.5"/>').format(kind, x, y)


def _dates(scale: _Scale, points: Sequence[HistoryPoint]) -> Iterator[Markup]:
    first, last = points[0].time[:10], points[-1].time[:10]
    yield Markup('<text x="{:g}" y="{:g}">{}</text>').format(_LEFT, HEIGHT - 6.0, first)
    if last != first:
        yield Markup('<text x="{:g}" y="{:g}" text-anchor="end">{}</text>').format(
            WIDTH - _RIGHT, HEIGHT - 6.0, last
        )
