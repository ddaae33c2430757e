"""Turn uncertainty budgets into plain rows, for the store and a report, and into a table anyone can follow."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from sequencer.results.stored_budget import StoredPart, stored_part
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.distributions import Shape
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


def rows(budget: Budget) -> list[dict[str, Any]]:
    """Return one plain row a contribution. Infinite degrees of freedom are None: JSON has no infinity."""
    return [
        {
            "source": part.source,
            "value": part.value,
            "unit": part.unit,
            "stated": part.stated,
            "distribution": part.shape.value,
            "top": part.top,
            "divisor": part.divisor,
            "standard_uncertainty": part.standard,
            "coefficient": part.coefficient,
            "contribution": part.amount,
            "contribution_unit": unit_of_difference(budget.unit),
            "degrees_of_freedom": _finite(part.dof),
            "common": part.common,
            "keys": list(part.keys),
        }
        for part in budget.contributions
    ]


def as_plain(budget: Budget) -> dict[str, Any]:
    """Return the whole budget as plain numbers, texts and lists, ready for JSON."""
    return {
        "quantity": budget.quantity,
        "unit": budget.unit,
        "value": budget.value,
        "coverage": budget.coverage,
        "contributions": rows(budget),
        "correlations": [list(item) for item in budget.correlations],
        "standard": budget.standard,
        "effective_dof": _finite(budget.effective_dof),
        "coverage_factor": budget.coverage_factor,
        "expanded": budget.expanded,
        "unstated": list(budget.unstated),
        "unstated_connections": list(budget.unstated_connections),
    }


def from_plain(plain: Mapping[str, Any]) -> Budget:
    """Return the budget that `as_plain` wrote. ValueError names what is missing or cannot be."""
    try:
        return Budget(
            quantity=plain["quantity"],
            unit=plain["unit"],
            value=plain["value"],
            coverage=plain["coverage"],
            contributions=tuple(_contribution(row) for row in plain["contributions"]),
            correlations=tuple((one, other, float(r)) for one, other, r in plain["correlations"]),
            # a budget stored before there was such a key has the U of then: `stored_budget` says that nothing is known of the rest
            unstated=tuple(plain.get("unstated", ())),
            unstated_connections=tuple(plain.get("unstated_connections", ())),
        )
    except KeyError as missing:
        raise ValueError(f"stored uncertainty budget lacks {missing}") from missing


def table(budget: Budget) -> str:
    """Return the budget as plain text: a line a contribution, then what they come to."""
    printed = [cells(stored_part(row)) for row in rows(budget)]
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
            f"effective degrees of freedom: {_number(_finite(budget.effective_dof))}",
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


def _contribution(row: Mapping[str, Any]) -> Contribution:
    dof = row["degrees_of_freedom"]
    return Contribution(
        source=row["source"],
        stated=row["stated"],
        divisor=row["divisor"],
        shape=Shape(row["distribution"]),
        coefficient=row["coefficient"],
        dof=math.inf if dof is None else dof,
        value=row["value"],
        unit=row["unit"],
        top=row["top"],
        common=row.get("common", "none"),  # budgets stored before there was such a key
        keys=tuple(row.get("keys", ())),
    )


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
