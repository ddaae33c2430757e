"""An uncertainty budget as it is kept with a result: the figures of then, and nothing worked out anew.

The check's own `sequencer.uncertainty.budget.Budget` becomes this once, when the result is made; table, store, kept file, comparison and
report read it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from operator import attrgetter
from typing import Any

from sequencer.frozen import dataclass

UNSTATED_NOT_KNOWN = "whether the bench file stated all that it needs was not kept with it, and is not known"
"""What is said of a budget that was stored before budgets kept what is not stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPart:
    """One contribution. ``degrees_of_freedom`` None: infinite. ``contribution`` is in ``contribution_unit``, what comes before in ``unit``.

    ``top`` is the flat part of a trapezoid, as a share of its base. ``common`` says with which other results it is the same error: "bench",
    "unit", "run" or "none"; ``keys`` are those of the bench file that it was made of.
    """

    source: str
    value: float
    unit: str
    stated: float
    distribution: str
    top: float = 0.0
    divisor: float
    standard_uncertainty: float
    coefficient: float
    contribution: float
    contribution_unit: str
    degrees_of_freedom: float | None
    common: str = "none"  # before there was such a key
    keys: tuple[str, ...] = ()

    @property
    def size(self) -> float:
        """What it adds to the result, signed, as a standard uncertainty in the result's unit."""
        return self.coefficient * self.standard_uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBudget:
    """A budget. ``effective_dof`` None: infinite; ``expanded`` None: a part is not stated, and ``unstated`` names its keys.

    ``unstated_connections`` names the connections of which nothing was stated. Either is None where the budget was stored before it was
    asked for: then what was not stated counted as zero, and nothing is known of it.
    """

    quantity: str = ""
    unit: str
    value: float | None = None
    coverage: float
    contributions: tuple[StoredPart, ...]
    correlations: tuple[tuple[str, str, float], ...] = ()
    standard: float
    effective_dof: float | None
    coverage_factor: float
    expanded: float | None
    unstated: tuple[str, ...] | None = None
    unstated_connections: tuple[str, ...] | None = None

    @property
    def correlated(self) -> frozenset[str]:
        """The sources that are correlated with another."""
        return frozenset(source for one, other, r in self.correlations if r for source in (one, other))


_PART_NAMES = tuple(one.name for one in fields(StoredPart))
_part_cells = attrgetter(*_PART_NAMES)
_BUDGET_NAMES = tuple(one.name for one in fields(StoredBudget))
_budget_cells = attrgetter(*_BUDGET_NAMES)
_FIGURES = frozenset(
    one.name for one in (*fields(StoredPart), *fields(StoredBudget)) if str(one.type).startswith("float")
)


def budget_as_plain(budget: StoredBudget) -> dict[str, Any]:
    """Return a budget for JSON; what was not asked for when it was stored is None."""
    plain = _with_figures(_BUDGET_NAMES, _budget_cells(budget))
    plain["contributions"] = [_part_as_plain(part) for part in budget.contributions]
    plain["correlations"] = [list(one) for one in budget.correlations]
    for name in ("unstated", "unstated_connections"):
        plain[name] = None if plain[name] is None else list(plain[name])
    return plain


def _with_figures(names: tuple[str, ...], cells: tuple[Any, ...]) -> dict[str, Any]:
    """Return cells by name; a whole number among the figures (3 readings less than 4) is written as it is read back: 3.0."""
    return {
        name: float(cell) if type(cell) is int and name in _FIGURES else cell
        for name, cell in zip(names, cells, strict=True)
    }


def _part_as_plain(part: StoredPart) -> dict[str, Any]:
    plain = _with_figures(_PART_NAMES, _part_cells(part))
    plain["keys"] = list(part.keys)
    return plain


def stored_budget(plain: Mapping[str, Any]) -> StoredBudget:
    """Return what `budget_as_plain` wrote, also an earlier version of it. ValueError says what is missing or cannot be."""
    try:
        return StoredBudget(
            quantity=plain.get("quantity", ""),
            unit=str(plain["unit"]),
            value=plain.get("value"),
            coverage=plain["coverage"],
            contributions=tuple(map(_part, plain["contributions"])),
            correlations=tuple((one, other, float(r)) for one, other, r in plain.get("correlations", ())),
            standard=plain["standard"],
            effective_dof=plain["effective_dof"],
            coverage_factor=plain["coverage_factor"],
            expanded=plain["expanded"],
            unstated=_keys(plain.get("unstated")),
            unstated_connections=_keys(plain.get("unstated_connections")),
        )
    except KeyError as missing:
        raise ValueError(f"stored uncertainty budget lacks {missing}") from missing
    except (TypeError, AttributeError) as error:
        raise ValueError(f"not a stored uncertainty budget: {error}") from error


def _keys(names: list[str] | None) -> tuple[str, ...] | None:
    return None if names is None else tuple(names)


def _part(row: Mapping[str, Any]) -> StoredPart:
    return StoredPart(
        source=str(row["source"]),
        value=row["value"],
        unit=row["unit"],
        stated=row["stated"],
        distribution=row["distribution"],
        top=row.get("top", 0.0),
        divisor=row["divisor"],
        standard_uncertainty=row["standard_uncertainty"],
        coefficient=row["coefficient"],
        contribution=row["contribution"],
        contribution_unit=row["contribution_unit"],
        degrees_of_freedom=row["degrees_of_freedom"],
        common=row.get("common", "none"),
        keys=tuple(row.get("keys", ())),
    )
