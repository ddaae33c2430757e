"""Draw a control chart as inline SVG: points in order, centre and limits; what breaks a rule is a cross, in shape and in colour."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence

from markupsafe import Markup, escape

from sequencer.report.bars import BLUE, INK, RED
from sequencer.statistics.charts import Chart

WIDTH, HEIGHT = 640.0, 200.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 8.0, 96.0, 12.0, 12.0
_GREY = "#5f5f5f"
MOST_DRAWN = 2000
"""Points that are drawn one by one; of more, neighbours are drawn as the one farthest from the centre."""


def control_chart(
    chart: Chart, *, title: str, shown: Callable[[float], str], odd: Collection[int] = ()
) -> Markup:
    """Return a chart as inline SVG; ``shown`` words a value, ``odd`` are the points that break a rule."""
    marked = {*odd, *chart.outside}
    every = (*chart.points, *chart.lower, *chart.upper)
    scale = _Scale(min(every), max(every), len(chart.points))
    parts = [
        _steps(scale, chart.upper, dashed=True),
        _steps(scale, chart.lower, dashed=True),
        _stroke(f"M{_LEFT:g} {scale.y(chart.centre):.1f}H{WIDTH - _RIGHT:g}", _GREY, 1.0),
        _line(scale, chart),
        *(_mark(scale, at, chart.points[at], odd=at in marked) for at in _drawn(chart, marked)),
        *_labels(scale, (chart.upper[-1], chart.centre, chart.lower[-1]), shown),
    ]
    said = f"{title}: {len(chart.points)} points, centre {shown(chart.centre)}, {len(marked)} marked"
    return Markup(
        '<svg class="plot" viewBox="0 0 {w:g} {h:g}" role="img" aria-label="{said}">{parts}</svg>'
    ).format(w=WIDTH, h=HEIGHT, said=escape(said), parts=Markup("").join(parts))


def share_bar(share: float, most: float) -> Markup:
    """Return a bar whose length is ``share`` of ``most``; its figure stands beside it."""
    length = 0.0 if most <= 0 else 120.0 * share / most
    return Markup(
        '<svg class="bar" viewBox="0 0 120 12" width="120" height="12" aria-hidden="true"><rect x="0" y="1" width="{:.1f}" height="10" '
        'fill="{}"/></svg>'
    ).format(length, BLUE)


class _Scale:
    """From points and values to the drawing."""

    def __init__(self, low: float, high: float, count: int) -> None:
        margin = 0.06 * ((high - low) or abs(high) or 1.0)
        self._low, self._high, self._count = low - margin, high + margin, count

    def x(self, at: float) -> float:
        return _LEFT + (WIDTH - _LEFT - _RIGHT) * (at + 0.5) / max(self._count, 1)

    def y(self, value: float) -> float:
        return _TOP + (HEIGHT - _TOP - _BOTTOM) * (self._high - value) / (self._high - self._low)


def _drawn(chart: Chart, marked: Collection[int]) -> Sequence[int]:
    count = len(chart.points)
    if count <= MOST_DRAWN:
        return range(count)
    found: dict[int, int] = {}
    for at in range(count):
        column = at * MOST_DRAWN // count
        there = found.get(column)
        if there is None or _weight(chart, at, marked) > _weight(chart, there, marked):
            found[column] = at
    return list(found.values())


def _weight(chart: Chart, at: int, marked: Collection[int]) -> tuple[bool, float]:
    return at in marked, abs(chart.points[at] - chart.centre)


def _steps(scale: _Scale, limits: Sequence[float], *, dashed: bool) -> Markup:
    """Return limits as a line that steps where they do."""
    path = [f"M{_LEFT:g} {scale.y(limits[0]):.1f}"]
    for at, limit in enumerate(limits[1:], start=1):
        if limit != limits[at - 1]:
            path.append(f"H{(scale.x(at - 1) + scale.x(at)) / 2:.1f}V{scale.y(limit):.1f}")
    path.append(f"H{WIDTH - _RIGHT:g}")
    return _stroke("".join(path), INK, 1.0, dash="5 4" if dashed else "")


def _line(scale: _Scale, chart: Chart) -> Markup:
    if len(chart.points) > MOST_DRAWN:
        return Markup("")
    path = "L".join(f"{scale.x(at):.1f} {scale.y(value):.1f}" for at, value in enumerate(chart.points))
    return _stroke(f"M{path}", "#9fb8c8", 0.8)


def _mark(scale: _Scale, at: int, value: float, *, odd: bool) -> Markup:
    x, y = scale.x(at), scale.y(value)
    if not odd:
        return Markup('<circle cx="{:.1f}" cy="{:.1f}" r="2.4" fill="{}"/>').format(x, y, BLUE)
    return _stroke(
        f"M{x - 3.5:.1f} {y - 3.5:.1f}L{x + 3.5:.1f} {y + 3.5:.1f}M{x + 3.5:.1f} {y - 3.5:.1f}L{x - 3.5:.1f} {y + 3.5:.1f}",
        RED,
        2.0,
    )


def _labels(scale: _Scale, values: Iterable[float], shown: Callable[[float], str]) -> list[Markup]:
    """Return what stands beside the limits and the centre, no two of them on each other."""
    found: list[Markup] = []
    last = -100.0
    for value in values:
        y = max(scale.y(value) + 4.0, last + 13.0)
        last = y
        found.append(
            Markup('<text x="{:.1f}" y="{:.1f}" font-size="12" fill="{}">{}</text>').format(
                WIDTH - _RIGHT + 6.0, y, INK, shown(value)
            )
        )
    return found


def _stroke(path: str, colour: str, width: float, *, dash: str = "") -> Markup:
    dashed = Markup(' stroke-dasharray="{}"').format(dash) if dash else Markup("")
    return Markup('<path d="{}" fill="none" stroke="{}" stroke-width="{:g}"{}/>').format(
        path, colour, width, dashed
    )
