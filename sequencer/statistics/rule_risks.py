"""What decision rules cost side by side, for one process, one uncertainty and one pair of limits.

Global risks after JCGM 106:2012, clause 9 (`sequencer.statistics.risk`). The process is taken to be normal; where its spread was found
from few units, the smallest and the largest of each risk over the spread's interval are told too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cache

from sequencer.frozen import dataclass
from sequencer.statistics.risk import GlobalRisk, guard_band_for, normal_risk
from sequencer.uncertainty.decision import Limits

COVERAGE = 2.0
"""What an expanded uncertainty is divided by, where nothing else is said (about 95 %)."""
_STEPS = 16
_FINER = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """The true values of the units: normal, with a mean and a standard deviation, from ``units`` of them (None: stated)."""

    mean: float
    spread: float
    units: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskRange:
    """The smallest and the largest each figure is over an interval of the spread; each by itself, for none need rise or fall with it."""

    false_accept: tuple[float, float]
    false_reject: tuple[float, float]
    false_accept_of_accepted: tuple[float, float]
    refused: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleRisk:
    """One rule: its guard band and its risks; ``within``: over the spread's 95 % interval, None where the spread was stated."""

    name: str
    guard_band: float
    risk: GlobalRisk
    within: RiskRange | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskTable:
    """The rules for one quantity; ``too_wide`` says why there is no guard band that holds the false accepts asked for."""

    process: Process
    expanded: float
    limits: Limits
    rules: tuple[RuleRisk, ...]
    too_wide: str = ""

    @property
    def test_uncertainty_ratio(self) -> float:
        """Tolerance over 2U, the TUR of Z540.3; NaN with one limit, infinite where U is 0."""
        tolerance = self.limits.tolerance
        if tolerance is None:
            return math.nan
        return tolerance / (2.0 * self.expanded) if self.expanded > 0 else math.inf


def find_rule_risks(
    process: Process,
    expanded: float,
    limits: Limits,
    *,
    factors: Sequence[tuple[str, float]],
    false_accept: float | None = None,
) -> RiskTable:
    """Return the risks of each rule, given by name and guard factor r (w = r U), and of the guard band that holds ``false_accept``.

    ``expanded`` is U (k = 2), 0 or more; ``false_accept`` a share of all units, between 0 and 1. ValueError as `normal_risk`.
    """
    if false_accept is not None and not 0.0 < false_accept < 1.0:
        raise ValueError(f"false accepts of {false_accept} must lie between 0 and 1")
    standard = expanded / COVERAGE
    rules = [_rule(name, factor * expanded, process, standard, limits) for name, factor in factors]
    too_wide = ""
    if false_accept is not None:
        try:
            band = guard_band_for(
                lambda guard: normal_risk(process.mean, process.spread, standard, limits, guard),
                false_accept,
                _widest(process, standard, limits),
            )
        except ValueError as error:
            too_wide = str(error)
        else:
            name = f"{100.0 * false_accept:.3g} % bad accepted"
            rules.append(_rule(name, band, process, standard, limits))
    return RiskTable(process=process, expanded=expanded, limits=limits, rules=tuple(rules), too_wide=too_wide)


def spread_interval(spread: float, units: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the interval of a normal process's standard deviation that ``units``, 2 or more, gave as ``spread``."""
    if units < 2:
        raise ValueError(f"{units} units: a spread needs 2 or more")
    from scipy.special import chdtri

    tail = (1.0 - confidence) / 2.0
    dof = units - 1
    return spread * math.sqrt(dof / float(chdtri(dof, tail))), spread * math.sqrt(
        dof / float(chdtri(dof, 1.0 - tail))
    )


def _rule(name: str, guard_band: float, process: Process, standard: float, limits: Limits) -> RuleRisk:
    @cache
    def of(spread: float) -> GlobalRisk:
        return normal_risk(process.mean, spread, standard, limits, guard_band)

    within = None
    if process.units is not None:
        low, high = spread_interval(process.spread, process.units)
        steps = {low * (high / low) ** (step / _STEPS) for step in range(_STEPS)}
        spreads = sorted(steps | {process.spread, high})

        def ends(figure: Callable[[GlobalRisk], float]) -> tuple[float, float]:
            def at(spread: float) -> float:
                return figure(of(spread))

            return _smallest(at, spreads), -_smallest(lambda spread: -at(spread), spreads)

        within = RiskRange(
            false_accept=ends(lambda risk: risk.false_accept),
            false_reject=ends(lambda risk: risk.false_reject),
            false_accept_of_accepted=ends(lambda risk: risk.false_accept_of_accepted),
            refused=ends(lambda risk: 1.0 - risk.accepted),
        )
    return RuleRisk(name=name, guard_band=guard_band, risk=of(process.spread), within=within)


def _smallest(figure: Callable[[float], float], spreads: Sequence[float]) -> float:
    """Return the smallest figure over the spreads, and between the neighbours of the smallest; NaN where there is no figure anywhere."""
    known = [(value, at) for at, spread in enumerate(spreads) if not math.isnan(value := figure(spread))]
    if not known:
        return math.nan
    least, at = min(known)
    if 0 < at < len(spreads) - 1:
        start, width = spreads[at - 1], spreads[at + 1] - spreads[at - 1]
        finer = (figure(start + width * step / _FINER) for step in range(1, _FINER))
        least = min(least, *(value for value in finer if not math.isnan(value)))
    return least


def _widest(process: Process, standard: float, limits: Limits) -> float:
    """Return the widest guard band that makes sense: all of the tolerance, or far beyond the process."""
    tolerance = limits.tolerance
    if tolerance is not None:
        return tolerance / 2.0
    return 10.0 * (standard + process.spread) + max(abs(process.mean - limit) for limit in _both(limits))


def _both(limits: Limits) -> list[float]:
    return [limit for limit in (limits.lower, limits.upper) if limit is not None]
