"""Draw the limit bar beside each result: where the value and its uncertainty lie between the limits. Shape tells it; colour only helps.

A pale band is what conforms, ruled off at its limits; a paler one inside it is the guard band. The line with end ticks is the value
plus and minus its expanded uncertainty; the mark is a dot inside the limits and a cross outside. A bound is an arrow from where it
stands to where the true value may lie; its uncertainty is drawn on the other side of it.
"""

from __future__ import annotations

import math

from markupsafe import Markup, escape

from sequencer.results.model import Result
from sequencer.results.text import limits_in_words, value_in_words, with_minus
from sequencer.uncertainty.decision import Bound, Limits, Rule

WIDTH, HEIGHT = 160.0, 22.0
INK, PALE, BLUE, RED = "#1b1b1b", "#dfe8ef", "#005a8c", "#a63d00"
_EDGE = 3.0
_ARROW, _HEAD = 20.0, 5.0
_FEW_PARTS = 0.18  # a tolerance narrower than this share of the bar could not be seen


def limit_bar(row: Result) -> Markup:
    """Return the bar of a stored result as inline SVG; empty where there is no value or no limit."""
    value, limits = row.value, Limits(lower=row.lower_limit, upper=row.upper_limit)
    if value is None or limits == Limits() or row.unit == "":
        return Markup("")
    spread = row.uncertainty or 0.0
    if not math.isfinite(spread):
        spread = 0.0
    scale = _Scale(value, spread, limits)
    parts = [_band(scale, limits, _guard_band(row.rule, spread)), *_limit_ticks(scale, limits)]
    if row.bound:
        parts += [_whisker(scale, value, spread, row.bound), _arrow(scale, value, row.bound)]
    else:
        parts += [_whisker(scale, value, spread), _mark(scale, value, inside=limits.contains(value))]
    said = " ".join(
        with_minus(f"{value_in_words(row)}; limits: {limits_in_words(row)}; {row.decision.value}").split()
    )
    return Markup(
        '<svg class="bar" viewBox="0 0 {w:g} {h:g}" width="{w:g}" height="{h:g}" role="img" aria-label="{said}">{parts}</svg>'
    ).format(w=WIDTH, h=HEIGHT, said=escape(said), parts=Markup("").join(parts))


class _Scale:
    """From the result's unit to the bar's: all that matters fits, and what lies absurdly far out stands at the edge."""

    def __init__(self, value: float, spread: float, limits: Limits) -> None:
        marks = [limit for limit in (limits.lower, limits.upper) if limit is not None]
        ends = [value - spread, value + spread]
        low, high = min(marks + ends), max(marks + ends)
        if limits.tolerance:  # else a value 100 tolerances out would shrink them to nothing
            reach = limits.tolerance * (1 / _FEW_PARTS - 1) / 2
            low, high = max(low, marks[0] - reach), min(high, marks[-1] + reach)
        span = max(
            (high - low) or abs(high) or 1.0, 1e-200
        )  # below this the sums are lost among the smallest numbers
        open_end = 0.25 * span
        self.low = low - (open_end if limits.lower is None else 0.12 * span)
        self.high = high + (open_end if limits.upper is None else 0.12 * span)

    def at(self, number: float) -> float:
        share = (number - self.low) / (self.high - self.low)
        return _EDGE + (WIDTH - 2 * _EDGE) * min(1.0, max(0.0, share))


def _guard_band(rule: str, spread: float) -> float:
    known = Rule.stored(rule)
    return 0.0 if known is None else known.guard_band(spread)


def _band(scale: _Scale, limits: Limits, guard: float) -> Markup:
    left = scale.at(limits.lower) if limits.lower is not None else _EDGE
    right = scale.at(limits.upper) if limits.upper is not None else WIDTH - _EDGE
    band = _rect(f'fill="{PALE}"', left, right)
    if guard > 0:
        dashed = (
            f'fill="#ffffff" fill-opacity="0.7" stroke="{INK}" stroke-width="0.6" stroke-dasharray="1.6 1.6"'
        )
        if limits.lower is not None:
            band += _rect(dashed, left, min(scale.at(limits.lower + guard), right))
        if limits.upper is not None:
            band += _rect(dashed, max(scale.at(limits.upper - guard), left), right)
    return band


# Looks are attributes, not a style sheet's: the PDF's maker does not style what stands inside a drawing.
def _rect(look: str, left: float, right: float) -> Markup:
    return Markup('<rect {} x="{:.1f}" y="6" width="{:.1f}" height="10"/>').format(
        Markup(look),
        left,
        max(0.0, right - left),
    )


def _stroke(path: str, colour: str, width: float) -> Markup:
    return Markup('<path d="{}" fill="none" stroke="{}" stroke-width="{:g}" stroke-linecap="round"/>').format(
        path, colour, width
    )


def _limit_ticks(scale: _Scale, limits: Limits) -> list[Markup]:
    return [
        _stroke(f"M{scale.at(limit):.1f} 2V20", INK, 1.4)
        for limit in (limits.lower, limits.upper)
        if limit is not None
    ]


def _whisker(scale: _Scale, value: float, spread: float, bound: Bound = "") -> Markup:
    left, right = scale.at(value - spread), scale.at(value + spread)
    if right - left < 1:
        return Markup("")
    if bound:
        x, end = scale.at(value), right if bound == "at most" else left
        return _stroke(f"M{x:.1f} 11H{end:.1f}M{end:.1f} 8V14", BLUE, 1.2)
    return _stroke(f"M{left:.1f} 8V14M{left:.1f} 11H{right:.1f}M{right:.1f} 8V14", BLUE, 1.2)


def _arrow(scale: _Scale, value: float, bound: Bound) -> Markup:
    """Return an arrow from a bound into what it leaves open: down the scale from one that is at most so much, else up."""
    x, way = scale.at(value), -1.0 if bound == "at most" else 1.0
    tip = min(WIDTH - 1.0, max(1.0, x + way * _ARROW))
    back = tip - way * _HEAD
    return _stroke(
        f"M{x:.1f} 6.5V15.5M{x:.1f} 11H{tip:.1f}M{back:.1f} 7.5L{tip:.1f} 11L{back:.1f} 14.5", BLUE, 1.8
    )


def _mark(scale: _Scale, value: float, *, inside: bool) -> Markup:
    x = scale.at(value)
    if inside:
        return Markup('<circle cx="{:.1f}" cy="11" r="3.4" fill="{}"/>').format(x, BLUE)
    return _stroke(f"M{x - 4:.1f} 7L{x + 4:.1f} 15M{x + 4:.1f} 7L{x - 4:.1f} 15", RED, 2.2)
