"""The history of a bench's own results, or of its golden unit's: which of them count, and within what the next should lie.

Control limits come from the first results that count, so that a slow drift does not take its limits along; what was found wrong
does not enter them. Where an instrument was exchanged that a result rests on, its history begins anew.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field, replace
from datetime import date
from typing import TYPE_CHECKING

from sequencer.analysis.conditions import conditions_of, differing_conditions
from sequencer.frozen import dataclass
from sequencer.results.model import BenchInstrument, Result
from sequencer.results.stored import StoredResult
from sequencer.uncertainty.decision import Decision, Limits
from sequencer.units.format import unit_of_difference

if TYPE_CHECKING:
    from sequencer.analysis.control import NextLimits

_BLOCKING = {"unit of measure", "frequency", "sequence", "conditions", "simulated"}
FEWEST_CHECKS = 8
"""Results before control limits are said to exist, unless the sequence says otherwise: workshop's own."""
BASELINE = 20
"""Of how many, the first ones, they are made at most: common practice (20 to 25), no source at hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """The values of one quantity that count, oldest first; ``left_out`` says of the others why, and how many."""

    values: tuple[float, ...] = ()
    left_out: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnHistory:
    """Earlier results of one serial on one bench, oldest first, and who stood on the bench then (``who``, by run) and stands there ``now``.

    ``unreadable`` says why the store could not be asked; empty where it could.
    """

    rows: tuple[StoredResult, ...] = ()
    who: Mapping[str, Sequence[BenchInstrument]] = field(default_factory=dict)
    now: tuple[BenchInstrument, ...] = ()
    simulated: bool = False
    unreadable: str = ""

    def past_of(self, rows: Iterable[StoredResult], roles: Iterable[str], since: date | None = None) -> Past:
        """Return what counts of ``rows``, all of one quantity: from ``since`` on, found right, with the same instruments in ``roles``."""
        wanted = frozenset(roles)
        here = _serials(self.now, wanted)
        values: list[float] = []
        left_out: Counter[str] = Counter()
        for row in rows:
            if row.value is None or not row.counts or row.simulated != self.simulated:
                continue
            if since is not None and row.time.date() < since:
                left_out[f"before {since.isoformat()}"] += 1
            elif row.bound:
                left_out["a bound only"] += 1
            elif row.decision in (Decision.FAIL, Decision.CONDITIONAL_FAIL):
                left_out["found wrong then"] += 1
            elif other := _exchanged(_serials(self.who.get(row.run, ()), wanted), here):
                left_out[f"with another {other}"] += 1
            else:
                values.append(row.value)
        return Past(values=tuple(values), left_out=dict(left_out))

    def alike(self, result: Result) -> list[StoredResult]:
        """Return the rows of what ``result`` is of, found under the same conditions, for `past_of`."""
        here = conditions_of(result)
        return [
            row
            for row in self.rows
            if (row.check, row.quantity, row.channel, row.mode, row.stage)
            == (result.check, result.quantity, result.channel, result.mode, result.stage)
            and not _BLOCKING & differing_conditions([here, conditions_of(row)]).keys()
        ]

    def of_quantity(self, quantity: str, unit: str) -> list[StoredResult]:
        """Return the rows of one quantity, for `past_of`."""
        return [row for row in self.rows if row.quantity == quantity and row.unit == unit]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Within what a value should lie, and why: ``chart`` where its history tells control limits, else None; ``note`` says it in words."""

    limits: Limits
    note: str
    chart: NextLimits | None = None


def expected(
    value: float,
    unit: str,
    past: Past,
    *,
    fewest: int = FEWEST_CHECKS,
    baseline: int = BASELINE,
    least_sigma: float = 0.0,
    ignore: float = 0.0,
    stated: Limits | None = None,
    called: str = "checks",
) -> Expected:
    """Return within what ``value`` should lie by its ``past``, and within ``stated`` at all events.

    ``least_sigma``: what its scatter is not believed to be below; ``ignore``: how far off does not matter. ``stated`` None: nobody stated
    how far it may be off.
    """
    from sequencer.analysis.control import (  # numpy, which no plan needs
        FEWEST,
        IN_A_ROW,
        limits_for_next,
        one_side,
    )

    count = len(past.values)
    bounds = stated or Limits()
    aside = "".join(f"; {number} left out, {why}" for why, number in past.left_out.items())
    if count < max(fewest, FEWEST):
        held = (
            "held against the stated accuracies"
            if stated
            else "held against nothing: not all accuracies are stated"
        )
        note = f"{count} earlier {called} of {max(fewest, FEWEST)} that control limits need, {held}{aside}"
        return Expected(limits=bounds, note=note)
    chart = limits_for_next(past.values[:baseline], least_sigma=least_sigma)
    if chart.half_width < ignore:
        chart = replace(chart, lower=chart.centre - ignore, upper=chart.centre + ignore)
    row = one_side([*past.values[baseline:], value], chart.centre)
    by_scatter, room = limits_for_next(past.values[:baseline]).half_width, _half_width(stated)
    is_known = chart.half_width <= max(room, by_scatter)
    limits = _limits_in_words(chart, room, unit_of_difference(unit)) if is_known else _NOT_KNOWN
    off = _off_in_words(value - chart.centre, chart, room, unit_of_difference(unit), called)
    note = f"{off}{limits}{aside}{_drift(row) if abs(row) >= IN_A_ROW else ''}"
    if not is_known:
        return Expected(limits=bounds, note=note)
    return Expected(limits=_within(chart, bounds), note=note, chart=chart)


_NOT_KNOWN = (
    "; no control limits are known yet: they differ by less than the last digit that the instrument wrote, and that is wider than what is "
    "stated, which it is held against"
)


def _half_width(stated: Limits | None) -> float:
    """Return how far what is stated reaches to either side; endless where it does not."""
    if stated is None or stated.lower is None or stated.upper is None:
        return math.inf
    return (stated.upper - stated.lower) / 2.0


def _off_in_words(off: float, chart: NextLimits, room: float, unit: str, called: str) -> str:
    """Return how far a value lies from the centre, to as many decimals as the limits are told with."""
    shown = _rounded(abs(off), min(chart.half_width, room))
    where = f"{shown} {unit} {'above' if off > 0 else 'below'}" if float(shown) else "at"
    return f"{where} its mean of {chart.count} {called}"


def _limits_in_words(chart: NextLimits, room: float, unit: str) -> str:
    limits = f", control limits ± {_rounded(chart.half_width, chart.half_width)} {unit}".rstrip()
    return f"{limits}; what is stated is narrower, and holds" if chart.half_width > room else limits


def _drift(row: int) -> str:
    side = "above" if row > 0 else "below"
    return f"; the last {abs(row)} all lie {side} that mean: it drifts, or something was changed"


def _rounded(figure: float, half_width: float) -> str:
    """Return a figure to as many decimals as two digits of a half-width have."""
    decimals = max(0, 1 - math.floor(math.log10(half_width))) if half_width > 0 else 6
    return f"{figure:.{decimals}f}"


def _within(chart: NextLimits, stated: Limits) -> Limits:
    lower = chart.lower if stated.lower is None else max(chart.lower, stated.lower)
    upper = chart.upper if stated.upper is None else min(chart.upper, stated.upper)
    if lower > upper:  # its history itself lies outside what is stated
        return stated
    return Limits(lower=lower, upper=upper)


_Who = Mapping[str, tuple[str, str, str]]


def _serials(instruments: Iterable[BenchInstrument], roles: frozenset[str]) -> _Who:
    return {one.name: (one.maker, one.model, one.serial) for one in instruments if one.role in roles}


def _exchanged(then: _Who, now: _Who) -> str:
    """Return the name of an instrument that was another one then; empty where they are the same, or nobody knows."""
    return next((name for name, who in now.items() if name in then and then[name] != who), "")
