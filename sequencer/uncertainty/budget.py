"""Keep uncertainty budgets after the GUM (JCGM 100:2008): where a result's uncertainty comes from.

A budget is a value, its contributions and, where inputs are not independent, their correlations. Nothing is
rounded inside the chain. Combined: u_c^2 = sum of (c_i u_i)(c_j u_j) r_ij. Degrees of freedom: Welch-Satterthwaite. Ready-made
contributions of this bench are in `sequencer.uncertainty.contributions`; rows and tables are made in `sequencer.results.budget_rows`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal, Self, get_args

from sequencer.frozen import dataclass
from sequencer.uncertainty import coverage as factors
from sequencer.uncertainty.distributions import Shape

Common = Literal["none", "bench", "unit", "run"]
"""With which other results a contribution is one and the same error: none; all of the bench with the same instruments (their
accuracies, the loss of a path); of those only the ones of the same unit (what hangs on the unit's own reflection); or of the same run
only (what hangs on the connections, which are made once for a run)."""
COMMON: tuple[Common, ...] = get_args(Common)

ABOUT_95 = 0.9545
"""The coverage probability of an expanded uncertainty: k = 2 where all is normal (EA-4/02; ILAC-G8's U)."""


Correlation = tuple[str, str, float]
"""Two sources and the correlation coefficient of their estimates, -1...1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One source of uncertainty.

    ``stated``: what was stated or found, 0 or more, in ``unit``: a half-width, an expanded or a standard
    uncertainty; ``divisor`` (above 0) brings it to a standard uncertainty. ``coefficient``: the sensitivity
    coefficient, unit of the result per ``unit``. ``dof``: degrees of freedom, above 0, may be infinite.
    ``top``: top to base ratio of a trapezoid, 0...1. ``value``: the estimate of the input. ``common``: with which other results it
    is the same error, and so cancels in their difference; "none" unless whoever makes it knows better. ``keys``: where it was stated,
    as keys of a file ("instruments.supply.accuracy.voltage"); none for what was measured.
    Use the class methods; each raises ValueError with the source's name for a number outside its range.
    """

    source: str
    stated: float
    divisor: float = 1.0
    shape: Shape = Shape.NORMAL
    coefficient: float = 1.0
    dof: float = math.inf
    value: float = 0.0
    unit: str = ""
    top: float = 0.0
    common: Common = "none"
    keys: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.source.strip():
            raise ValueError("a contribution without a name: say where the uncertainty comes from")
        for allowed, name, number, range_text in (
            (0 <= self.stated < math.inf, "uncertainty", self.stated, "0 or more, and finite"),
            (0 < self.divisor < math.inf, "divisor", self.divisor, "above 0"),
            (math.isfinite(self.coefficient), "sensitivity coefficient", self.coefficient, "a finite number"),
            (self.dof > 0, "degrees of freedom", self.dof, "above 0 (infinite if the uncertainty is exact)"),
            (math.isfinite(self.value), "value", self.value, "a finite number"),
            (0 <= self.top <= 1, "top to base ratio", self.top, "between 0 and 1"),
        ):
            if not allowed:
                raise ValueError(f"{self.source}: {name} is {number}; it must be {range_text}")
        if self.common not in COMMON:
            raise ValueError(
                f"{self.source}: common is {self.common!r}; it must be one of {', '.join(COMMON)}"
            )

    @classmethod
    def normal(cls, source: str, standard: float, **rest: Any) -> Self:
        """Take a standard uncertainty; ``rest``: coefficient, dof, value, unit, common."""
        return cls(source=source, stated=standard, **rest)

    @classmethod
    def expanded(cls, source: str, expanded: float, coverage_factor: float = 2.0, **rest: Any) -> Self:
        """Take an expanded uncertainty with its coverage factor, as a certificate states it."""
        return cls(source=source, stated=expanded, divisor=coverage_factor, **rest)

    @classmethod
    def bounded(
        cls,
        source: str,
        half_width: float,
        shape: Shape = Shape.RECTANGULAR,
        *,
        top: float = 0.0,
        **rest: Any,
    ) -> Self:
        """Take limits of plus and minus ``half_width`` and a shape; ``top`` for a trapezoid."""
        if not shape.is_bounded:
            raise ValueError(
                f"{source}: a {shape.value} distribution has no half-width; give its standard uncertainty"
            )
        return cls(source=source, stated=half_width, divisor=shape.divisor(top), shape=shape, top=top, **rest)

    @classmethod
    def student(cls, source: str, standard: float, dof: float, **rest: Any) -> Self:
        """Take a standard uncertainty known with ``dof`` degrees of freedom, Student's t about the value."""
        return cls(source=source, stated=standard, shape=Shape.STUDENT, dof=dof, **rest)

    @property
    def standard(self) -> float:
        """The standard uncertainty, in ``unit``."""
        return self.stated / self.divisor

    @property
    def amount(self) -> float:
        """The contribution to the result, |c u|, in the unit of the result."""
        return abs(self.coefficient) * self.standard


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """The uncertainty of one result.

    ``coverage``: the probability the expanded uncertainty is meant for, about 95 % unless said otherwise. ``unstated``: the keys of the
    bench file that should state a part and do not: what is not stated is unknown, not nought, and such a budget has no expanded
    uncertainty; ``standard`` is then that of the parts that are known. ``unstated_connections``: the keys of connection repeatabilities
    that are not stated. The expanded uncertainty then holds for the connections as they were made, and nothing is known of how far a
    result with other connections may lie from it.
    ValueError for two contributions of one name, a correlation of an unknown source or outside -1...1, or
    correlations that cannot all hold at once.
    """

    quantity: str
    unit: str
    value: float
    contributions: tuple[Contribution, ...]
    correlations: tuple[Correlation, ...] = ()
    coverage: float = ABOUT_95
    unstated: tuple[str, ...] = ()
    unstated_connections: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"{self.quantity}: value is {self.value}; a budget needs a finite value")
        if not 0 < self.coverage < 1:
            raise ValueError(f"{self.quantity}: coverage is {self.coverage}; it must lie between 0 and 1")
        sources = [part.source for part in self.contributions]
        for source in sources:
            if sources.count(source) > 1:
                raise ValueError(f"{self.quantity}: two contributions are called {source!r}; name them apart")
        check_correlations(self.quantity, sources, self.correlations)

    @classmethod
    def of_model(
        cls,
        quantity: str,
        unit: str,
        model: Callable[[Mapping[str, float]], float],
        inputs: Sequence[Contribution],
        *,
        correlations: Sequence[Correlation] = (),
        coverage: float = ABOUT_95,
    ) -> Self:
        """Make the budget of ``model`` at the values of its inputs, given to it by source name.

        The sensitivity coefficients are the model's slopes, found by stepping each input by a thousandth of
        its standard uncertainty to either side; the inputs' own coefficients are replaced.
        """
        estimates = {part.source: part.value for part in inputs}
        return cls(
            quantity=quantity,
            unit=unit,
            value=float(model(estimates)),
            contributions=tuple(replace(part, coefficient=_slope(model, estimates, part)) for part in inputs),
            correlations=tuple(correlations),
            coverage=coverage,
        )

    @property
    def standard(self) -> float:
        """The combined standard uncertainty, in ``unit``."""
        return math.hypot(*(size for size, _ in self._components()))

    @property
    def effective_dof(self) -> float:
        """The effective degrees of freedom (Welch-Satterthwaite, GUM G.2b), not truncated; may be infinite.

        Correlated contributions count as one component with the fewest degrees of freedom among them: exact
        for readings taken together (GUM H.2), on the safe side otherwise.
        """
        total = self.standard
        if total == 0:
            return math.inf
        doubt = sum((size / total) ** 4 / dof for size, dof in self._components())
        return 1 / doubt if doubt > 0 else math.inf

    @property
    def coverage_factor(self) -> float:
        """The factor from the standard to the expanded uncertainty.

        Student's t for the effective degrees of freedom, truncated; where one or two rectangular, U-shaped or
        other bounded contributions dominate (EA-4/02, S9, S10 and S11), the factor of their sum with the rest.
        """
        factor = factors.gum_factor(self.coverage, self.effective_dof)
        dominant = factors.dominant_parts(self._bounded_parts(), self.standard)
        if not dominant:
            return factor
        normal = factors.student_factor(self.coverage, math.inf)
        return factors.shape_factor(self.coverage, dominant, self.standard) * factor / normal

    @property
    def expanded(self) -> float | None:
        """The expanded uncertainty U, in ``unit``; None where a part of it is not stated."""
        return None if self.unstated else self.coverage_factor * self.standard

    def as_contribution(self, source: str = "", coefficient: float = 1.0) -> Contribution:
        """Return this budget as one contribution to another, with its degrees of freedom."""
        return Contribution(
            source=source or self.quantity,
            stated=self.standard,
            coefficient=coefficient,
            dof=self.effective_dof,
            value=self.value,
            unit=self.unit,
        )

    def _components(self) -> list[tuple[float, float]]:
        """Give size and degrees of freedom of each independent component."""
        return [_combined(group, self.correlations) for group in self._groups()]

    def _groups(self) -> list[list[Contribution]]:
        """Put contributions that are correlated, directly or through others, together."""
        groups = [[part] for part in self.contributions]
        for one, other, coefficient in self.correlations:
            if coefficient != 0:
                joined = [g for g in groups if any(part.source in (one, other) for part in g)]
                groups = [g for g in groups if g not in joined] + [[part for g in joined for part in g]]
        return groups

    def _bounded_parts(self) -> list[factors.Part]:
        return [
            factors.Part(shape=part.shape, standard=part.amount, top=part.top)
            for group in self._groups()
            for part in group
            if len(group) == 1 and part.shape.is_bounded
        ]


def covariance(one: Budget, other: Budget) -> float:
    """Return the covariance of two results that share inputs of the same names (GUM H.2.3).

    Correlations are those of ``one``; sources that only one of them has do not count.
    """
    matrix = correlation_matrix([part.source for part in one.contributions], one.correlations)
    total = 0.0
    for i, part in enumerate(one.contributions):
        for j, shared in enumerate(one.contributions):
            for twin in other.contributions:
                if twin.source == shared.source and matrix[i][j] != 0:
                    slopes = part.coefficient * twin.coefficient
                    total += slopes * part.standard * twin.standard * matrix[i][j]
    return total


def correlation(one: Budget, other: Budget) -> float:
    """Return the correlation coefficient of two results that share inputs; ValueError if one is exact."""
    if one.standard == 0 or other.standard == 0:
        raise ValueError(f"{one.quantity}, {other.quantity}: an exact result has no correlation")
    return covariance(one, other) / (one.standard * other.standard)


def correlation_matrix(sources: Sequence[str], correlations: Sequence[Correlation]) -> list[list[float]]:
    """Return the matrix of correlation coefficients in the order of ``sources``; others are passed over."""
    matrix = [[float(i == j) for j in range(len(sources))] for i in range(len(sources))]
    for one, other, coefficient in correlations:
        if one in sources and other in sources:
            i, j = sources.index(one), sources.index(other)
            matrix[i][j] = matrix[j][i] = coefficient
    return matrix


def check_correlations(quantity: str, sources: Sequence[str], correlations: Sequence[Correlation]) -> None:
    """Refuse what cannot be: unknown sources, pairs named twice, contradicting coefficients (ValueError)."""
    pairs = set()
    for one, other, coefficient in correlations:
        for source in (one, other):
            if source not in sources:
                raise ValueError(
                    f"{quantity}: correlation with {source!r}, which is no contribution; "
                    f"there are {', '.join(sources)}"
                )
        if one == other or frozenset((one, other)) in pairs:
            raise ValueError(f"{quantity}: {one!r} and {other!r} are correlated twice, or with themselves")
        if not -1 <= coefficient <= 1:
            raise ValueError(
                f"{quantity}: correlation of {one!r} and {other!r} is {coefficient}; -1 to 1 is allowed"
            )
        pairs.add(frozenset((one, other)))
    if not correlations:
        return
    import numpy as np

    # -1e-9 forgives the machine's rounding only: a matrix that fails by more gives variances below zero.
    if float(np.linalg.eigvalsh(np.array(correlation_matrix(sources, correlations))).min()) < -1e-9:
        raise ValueError(
            f"{quantity}: these correlations cannot all hold at once (their matrix is not positive "
            "semidefinite). Check their signs, or work them out from the readings together."
        )


def _combined(group: list[Contribution], correlations: tuple[Correlation, ...]) -> tuple[float, float]:
    dof = min(part.dof for part in group)
    if len(group) == 1:
        return group[0].amount, dof
    matrix = correlation_matrix([part.source for part in group], correlations)
    signed = [part.coefficient * part.standard for part in group]
    variance = sum(a * b * matrix[i][j] for i, a in enumerate(signed) for j, b in enumerate(signed))
    # Of opposite and fully correlated parts only rounding remains, which may fall below zero.
    return math.sqrt(max(0.0, variance)), dof


def _slope(
    model: Callable[[Mapping[str, float]], float], estimates: Mapping[str, float], part: Contribution
) -> float:
    if part.standard == 0:
        return 0.0
    step = max(part.standard * 1e-3, 8 * math.ulp(part.value))
    above, below = part.value + step, part.value - step
    rise = float(model({**estimates, part.source: above})) - float(model({**estimates, part.source: below}))
    return rise / (above - below)
