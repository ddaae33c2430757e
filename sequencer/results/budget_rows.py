"""Keep an uncertainty budget with its result, and print a kept one as a table anyone can follow."""

from __future__ import annotations

import math

from sequencer.results.stored_budget import StoredBudget, StoredPart
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.units.format import unit_of_difference

Cell = str | float | None

UNCERTAIN = "not stated"
"""What stands for an uncertainty of which a part is not stated."""
COLUMNS = {
    "source": "source",
    "value": "value",
    "stated": "±",
    "distribution": "distribution",
    "divisor": "divisor",
    "standard_uncertainty": "standard uncertainty",
    "coefficient": "coefficient",
    "contribution": "contribution",
    "degrees_of_freedom": "deg. of freedom",
}
"""The columns of a budget: key in a row, heading in a table."""


def stored(budget: Budget) -> StoredBudget:
    """Return a check's budget as it is kept with its result. Infinite degrees of freedom are None: JSON has no infinity."""
    return StoredBudget(
        quantity=budget.quantity,
        unit=budget.unit,
        value=budget.value,
        coverage=budget.coverage,
        contributions=tuple(_part(one, unit_of_difference(budget.unit)) for one in budget.contributions),
        correlations=budget.correlations,
        standard=budget.standard,
        effective_dof=_finite(budget.effective_dof),
        coverage_factor=budget.coverage_factor,
        expanded=budget.expanded,
        unstated=budget.unstated,
        unstated_connections=budget.unstated_connections,
    )


def _part(part: Contribution, unit: str) -> StoredPart:
    return StoredPart(
        source=part.source,
        value=part.value,
        unit=part.unit,
        stated=part.stated,
        distribution=part.shape.value,
        top=part.top,
        divisor=part.divisor,
        standard_uncertainty=part.standard,
        coefficient=part.coefficient,
        contribution=part.amount,
        contribution_unit=unit,
        degrees_of_freedom=_finite(part.dof),
        common=part.common,
        keys=part.keys,
    )


def table(budget: StoredBudget) -> str:
    """Return the budget as plain text: a line a contribution, then what they come to."""
    printed = [cells(part) for part in budget.contributions]
    lines = [list(COLUMNS.values()), *printed]
    widths = [max(len(line[i]) for line in lines) for i in range(len(COLUMNS))]
    texts = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) for line in lines]
    correlated = [f"correlation of {one} and {other}: {r:.3g}" for one, other, r in budget.correlations]
    return "\n".join(
        text.rstrip()
        for text in (
            f"{budget.quantity}: {_with_unit(budget.value, budget.unit, digits=8)}",
            *texts,
            *correlated,
            f"combined standard uncertainty: {_with_unit(budget.standard, unit_of_difference(budget.unit))}",
            f"effective degrees of freedom: {_number(budget.effective_dof)}",
            f"coverage factor: {budget.coverage_factor:.2f} (for {100 * budget.coverage:.4g} %)",
            f"expanded uncertainty: {expanded_text(budget.expanded, budget.unit)}",
            f"not stated in the bench file: {', '.join(budget.unstated)}" if budget.unstated else "",
            f"connection repeatability not stated, for comparisons: {', '.join(budget.unstated_connections)}"
            if budget.unstated_connections
            else "",
        )
        if text
    )


def expanded_text(expanded: float | None, unit: str) -> str:
    """Return the expanded uncertainty of a result in ``unit`` in words; `not stated` where a part of it is not."""
    return UNCERTAIN if expanded is None else _with_unit(expanded, unit_of_difference(unit))


def cells(part: StoredPart) -> list[str]:
    """Return a stored contribution as it is printed, in the order of `COLUMNS`."""
    units = {
        "value": "unit",
        "stated": "unit",
        "standard_uncertainty": "unit",
        "contribution": "contribution_unit",
    }
    return [
        _with_unit(getattr(part, key), getattr(part, units[key]), digits=8 if key == "value" else 3)
        if key in units
        else _number(getattr(part, key), digits=4)
        for key in COLUMNS
    ]


def _with_unit(number: Cell, unit: Cell, *, digits: int = 3) -> str:
    return f"{_number(number, digits=digits)} {unit}".rstrip()


def _number(number: Cell, *, digits: int = 3) -> str:
    if number is None:
        return "infinite"
    return number if isinstance(number, str) else f"{number:.{digits}g}"


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
