"""How the figures of a batch are worded, on the screen as in the report."""

from __future__ import annotations

import math

from sequencer.analysis.batches.process import Process
from sequencer.analysis.batches.quantities import Quantity
from sequencer.statistics.capability import Index
from sequencer.statistics.proportion import Proportion
from sequencer.units.format import counted, format_quantity, unit_of_difference


def share_text(one: Proportion) -> str:
    """Return a share with its interval: 18 of 20, 90.0 % (68.3 to 98.8 %)."""
    return f"{one.count} of {one.of}, {100.0 * one.share:.1f} % ({100.0 * one.lower:.1f} to {100.0 * one.upper:.1f} %)"


def index_text(one: Index) -> str:
    """Return an index with its interval: 1.33 (1.02 to 1.64)."""
    return f"{one.value:.2f} ({one.lower:.2f} to {one.upper:.2f})"


def limits_of(quantity: Quantity) -> str:
    """Return what a quantity was held to."""
    if quantity.several_limits:
        return "held to several limits"
    if quantity.limits is None:
        return "no limit"
    lower, upper = quantity.limits.lower, quantity.limits.upper
    if lower is not None and upper is not None:
        return f"{format_quantity(lower, quantity.unit)} to {format_quantity(upper, quantity.unit)}"
    if upper is not None:
        return f"at most {format_quantity(upper, quantity.unit)}"
    return f"at least {format_quantity(lower, quantity.unit)}" if lower is not None else "no limit"


def value_text(one: Process, value: float) -> str:
    """Return a value of a quantity, rounded to what its own scatter leaves of it: a hundredth of that, as a power of ten."""
    unit, spread = one.quantity.unit, one.individuals.sigma if one.individuals is not None else 0.0
    if one.capability is not None:
        spread = one.capability.sigma_overall
    places = 2 - math.floor(math.log10(spread)) if spread > 0.0 else 6
    return format_quantity(round(value, places), unit)


def spread_text(value: float, unit: str) -> str:
    """Return a difference or a standard deviation in the unit of a difference, to three figures."""
    rounded = float(f"{value:.3g}")
    return format_quantity(rounded, unit_of_difference(unit))


def capability_lines(one: Process) -> list[str]:
    """Return the figures of a quantity's capability, a line each; nothing where there is none."""
    quantity, found = one.quantity, one.capability
    if found is None:
        return []
    unit = quantity.unit
    u = f"; U of each {spread_text(quantity.uncertainty, unit)}" if quantity.uncertainty is not None else ""
    missing = f"; {counted(quantity.missing, 'unit')} not measured" if quantity.missing else ""
    if quantity.bounds:
        missing += f"; {counted(quantity.bounds, 'unit')} with a bound only, left out"
    indices = [
        f"{name} {index_text(index)}"
        for name, index in (("Cp", found.cp), ("Cpk", found.cpk), ("Pp", found.pp), ("Ppk", found.ppk))
        if index is not None
    ]
    by_percentiles = (
        "" if found.percentile_ppk is None else f"; Ppk by percentiles {found.percentile_ppk:.2f}"
    )
    spread = f"s {spread_text(found.sigma_overall, unit)} (within {spread_text(found.sigma_within, unit)})"
    return [
        f"mean {value_text(one, found.mean)}, {spread}{u}{missing}",
        "; ".join(indices),
        f"normal: p {found.normality:.2g}; outside {share_text(found.outside)}{by_percentiles}",
    ]


def drift_text(one: Process) -> str:
    """Return the drift of a quantity with its uncertainty, an hour; nothing where there is none."""
    if one.drift is None:
        return ""
    unit = one.quantity.unit
    return (
        f"drift {'+' if one.drift.per_hour >= 0 else '-'}{spread_text(abs(one.drift.per_hour), unit)} an hour "
        f"± {spread_text(one.drift.expanded, unit)}"
    )
