"""An uncertainty budget as it was stored with a result, for readers: the figures of then, and nothing worked out anew."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sequencer.frozen import dataclass

UNSTATED_NOT_KNOWN = "whether the bench file stated all that it needs was not kept with it, and is not known"
"""What is said of a budget that was stored before budgets kept what is not stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPart:
    """One contribution. ``degrees_of_freedom`` None: infinite. ``contribution`` is in ``contribution_unit``, what comes before in ``unit``.

    ``common`` says with which other results it is the same error: "bench", "unit", "run" or "none".
    """

    source: str
    value: float
    unit: str
    stated: float
    distribution: str
    divisor: float
    standard_uncertainty: float
    coefficient: float
    contribution: float
    contribution_unit: str
    degrees_of_freedom: float | None
    common: str

    @property
    def size(self) -> float:
        """What it adds to the result, signed, as a standard uncertainty in the result's unit."""
        return self.coefficient * self.standard_uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBudget:
    """A budget. ``effective_dof`` None: infinite; ``expanded`` None: a part is not stated, and ``unstated`` names its keys.

    ``unstated_connections`` names the connections of which nothing was stated. Either is None where the budget was stored before it was
    asked for: then what was not stated went for nought, and nothing is known of it.
    """

    unit: str
    coverage: float
    standard: float
    effective_dof: float | None
    coverage_factor: float
    expanded: float | None
    parts: tuple[StoredPart, ...]
    correlations: tuple[tuple[str, str, float], ...]
    unstated: tuple[str, ...] | None
    unstated_connections: tuple[str, ...] | None

    @property
    def correlated(self) -> frozenset[str]:
        """The sources that are correlated with another."""
        return frozenset(source for one, other, r in self.correlations if r for source in (one, other))


def stored_budget(plain: Mapping[str, Any]) -> StoredBudget:
    """Return what `sequencer.results.budget_rows.as_plain` wrote, also an earlier version of it. ValueError names what is missing."""
    try:
        return StoredBudget(
            unit=str(plain["unit"]),
            coverage=plain["coverage"],
            standard=plain["standard"],
            effective_dof=plain["effective_dof"],
            coverage_factor=plain["coverage_factor"],
            expanded=plain["expanded"],
            parts=tuple(map(stored_part, plain["contributions"])),
            correlations=tuple((one, other, float(r)) for one, other, r in plain.get("correlations", ())),
            unstated=_keys(plain, "unstated"),
            unstated_connections=_keys(plain, "unstated_connections"),
        )
    except KeyError as missing:
        raise ValueError(f"stored uncertainty budget lacks {missing}") from missing


def _keys(plain: Mapping[str, Any], name: str) -> tuple[str, ...] | None:
    return tuple(plain[name]) if name in plain else None


def stored_part(row: Mapping[str, Any]) -> StoredPart:
    """Return one contribution as it was stored."""
    return StoredPart(
        source=str(row["source"]),
        value=row["value"],
        unit=row["unit"],
        stated=row["stated"],
        distribution=row["distribution"],
        divisor=row["divisor"],
        standard_uncertainty=row["standard_uncertainty"],
        coefficient=row["coefficient"],
        contribution=row["contribution"],
        contribution_unit=row["contribution_unit"],
        degrees_of_freedom=row["degrees_of_freedom"],
        common=row.get("common", "none"),  # before there was such a key
    )
