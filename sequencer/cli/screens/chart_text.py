"""A control chart in plain characters, for any width and without colour: `o` a point, `X` one that breaks a rule or a limit."""

from __future__ import annotations

from collections.abc import Callable, Collection

from sequencer.statistics.charts import Chart

HEIGHT = 9
NARROWEST = 30
_POINT, _ODD, _LIMIT, _CENTRE = "o", "X", "-", "."


def chart_lines(
    chart: Chart,
    *,
    width: int,
    shown: Callable[[float], str],
    odd: Collection[int] = (),
    height: int = HEIGHT,
) -> list[str]:
    """Return the chart in lines of at most ``width`` characters; ``shown`` words a value of its axis, ``odd`` are points to be marked.

    Where there are more points than columns each column stands for neighbours, of which the one farthest from the centre is drawn.
    """
    marked = {*odd, *chart.outside}
    low, high = _ends(chart)
    span = (high - low) or 1.0
    labels = {0: shown(high), height - 1: shown(low)}
    for value in (chart.upper[-1], chart.centre, chart.lower[-1]):
        labels.setdefault(_row(value, low, span, height), shown(value))
    room = max(len(text) for text in labels.values())
    columns = min(max(width, NARROWEST) - room - 3, len(chart.points) * 2)
    grid = [[" "] * columns for _ in range(height)]
    for at in range(columns):
        point = min(at * len(chart.points) // columns, len(chart.points) - 1)
        for value, sign in (
            (chart.centre, _CENTRE),
            (chart.lower[point], _LIMIT),
            (chart.upper[point], _LIMIT),
        ):
            grid[_row(value, low, span, height)][at] = sign
    for column, point in _drawn(chart, columns, marked).items():
        grid[_row(chart.points[point], low, span, height)][column] = _ODD if point in marked else _POINT
    return [f"{labels.get(at, ''):>{room}} |{''.join(row)}".rstrip() for at, row in enumerate(grid)]


def _ends(chart: Chart) -> tuple[float, float]:
    every = (*chart.points, *chart.lower, *chart.upper)
    return min(every), max(every)


def _row(value: float, low: float, span: float, height: int) -> int:
    return round((height - 1) * (1.0 - (value - low) / span))


def _drawn(chart: Chart, columns: int, marked: Collection[int]) -> dict[int, int]:
    """Return by column which point is drawn there: a marked one before others, else the one farthest from the centre."""
    found: dict[int, int] = {}
    count = len(chart.points)
    for point in range(count):
        column = point * columns // count
        there = found.get(column)
        if there is None or _weight(chart, point, marked) > _weight(chart, there, marked):
            found[column] = point
    return found


def _weight(chart: Chart, point: int, marked: Collection[int]) -> tuple[bool, float]:
    return point in marked, abs(chart.points[point] - chart.centre)
