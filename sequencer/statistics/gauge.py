"""Gauge study: how much of what is measured is the units, how much the operators, how much the measuring itself.

Crossed two-way analysis of variance: each operator measures each unit the same number of times. The interaction is pooled into the
repeatability where nothing speaks for one. Sources: D. C. Montgomery, Design and Analysis of Experiments, section 13 (random effects);
the range method and the factor 1.41 of the distinct categories are those of the automotive industry's handbook (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from sequencer.frozen import dataclass

POOL_ABOVE = 0.25
"""Above this probability of an interaction as large as found, if there is none, it is pooled (common practice)."""
NOISE = 4.0 * np.finfo(np.float64).eps
"""Readings that differ by less than this share of their size differ by the rounding of the arithmetic alone: they are held to be alike."""
ALIKE = "the readings do not differ; the step of the meter hides the scatter"
STUDY_WIDTH = 6.0
"""How many standard deviations a process is taken to spread over, for a share of the tolerance (common practice)."""

Readings = Mapping[tuple[str, str], Sequence[float]]
"""The readings of each unit by each operator, in the order of the trials."""


class UnbalancedStudy(ValueError):
    """Not every operator has measured every unit the same number of times; the text says which cells are short."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One row of the analysis of variance; ``f`` and ``p`` are None where nothing is held against it, or what is does not vary at all."""

    name: str
    dof: int
    sum_of_squares: float
    f: float | None = None
    p: float | None = None

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.sum_of_squares / self.dof


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """A gauge study's variances, in the square of the readings' unit; a component found below 0 counts as 0.

    ``rows``: unit, operator, interaction (absent where it was pooled), repeatability. ``full`` is the analysis before pooling.
    ``scatter_hidden``: an operator's readings of a unit never differ, because the step of the meter is coarser than their scatter.
    """

    units: int
    operators: int
    trials: int
    full: tuple[Source, ...]
    rows: tuple[Source, ...]
    repeatability: float
    operator: float
    interaction: float
    unit: float
    scatter_hidden: bool = False

    @property
    def is_pooled(self) -> bool:
        """Whether the interaction was pooled into the repeatability."""
        return len(self.rows) < len(self.full)

    @property
    def reproducibility(self) -> float:
        """The operators' variance, with their interaction with the units."""
        return self.operator + self.interaction

    @property
    def measuring(self) -> float:
        """The variance of measuring: repeatability and reproducibility."""
        return self.repeatability + self.reproducibility

    @property
    def total(self) -> float:
        """All variance."""
        return self.measuring + self.unit

    @property
    def share_of_study(self) -> float:
        """The measuring's standard deviation over the total one, 0...1; up to 0.1 is called good, above 0.3 bad (common practice)."""
        return math.sqrt(self.measuring / self.total) if self.total > 0 else math.nan

    def share_of_tolerance(self, tolerance: float) -> float:
        """Return six standard deviations of measuring over the ``tolerance`` U - L, above 0."""
        if not tolerance > 0:
            raise ValueError(f"tolerance {tolerance} must be above 0")
        return STUDY_WIDTH * math.sqrt(self.measuring) / tolerance

    @property
    def distinct_categories(self) -> int:
        """How many classes of units the measuring tells apart, at least 1; 5 and more are asked for (common practice)."""
        if self.measuring <= 0:
            raise ValueError(
                "the readings of a unit do not differ at all, so that no number of categories follows"
            )
        return max(1, int(math.sqrt(2.0 * self.unit / self.measuring)))


def find_gauge_study(readings: Readings, *, pool_above: float = POOL_ABOVE) -> GaugeStudy:
    """Return the study of crossed readings; 2 or more units, operators and trials.

    Raises UnbalancedStudy where a cell is missing or short (the sums of squares would no longer add up), ValueError for other
    readings that cannot be studied.
    """
    table = _as_table(readings)
    units, operators, trials = table.shape
    full = _analysed(table)
    unit, operator, both, rest = full
    hidden = rest.sum_of_squares == 0.0
    pooled = both.sum_of_squares == 0.0 if both.p is None else both.p > pool_above
    if pooled:
        rest = Source(
            name="repeatability",
            dof=both.dof + rest.dof,
            sum_of_squares=both.sum_of_squares + rest.sum_of_squares,
        )
        rows: tuple[Source, ...] = (_against(unit, rest), _against(operator, rest), rest)
        error = rest.mean_square
        interaction = 0.0
    else:
        rows = full
        error = both.mean_square
        interaction = max(0.0, (both.mean_square - rest.mean_square) / trials)
    return GaugeStudy(
        units=units,
        operators=operators,
        trials=trials,
        full=full,
        rows=rows,
        repeatability=rest.mean_square,
        operator=max(0.0, (operator.mean_square - error) / (units * trials)),
        interaction=interaction,
        unit=max(0.0, (unit.mean_square - error) / (operators * trials)),
        scatter_hidden=hidden,
    )


def _as_table(readings: Readings) -> np.ndarray:
    """Return readings as an array (units, operators, trials)."""
    units = list(dict.fromkeys(unit for unit, _ in readings))
    operators = list(dict.fromkeys(operator for _, operator in readings))
    trials = max((len(cell) for cell in readings.values()), default=0)
    short = [
        f"{unit} by {operator}: {len(readings.get((unit, operator), ()))} of {trials}"
        for unit in units
        for operator in operators
        if len(readings.get((unit, operator), ())) != trials
    ]
    if short:
        more = f" and {len(short) - 5} more" if len(short) > 5 else ""
        raise UnbalancedStudy(
            f"not every operator has measured every unit the same number of times ({'; '.join(short[:5])}{more}); measure what is missing, "
            "or leave the unit or the operator out of the study"
        )
    if min(len(units), len(operators), trials) < 2:
        raise ValueError(
            f"{len(units)} units, {len(operators)} operators and {trials} trials: a gauge study needs two or more of each"
        )
    table = np.array(
        [[readings[unit, operator] for operator in operators] for unit in units], dtype=np.float64
    )
    if not np.isfinite(table).all():
        raise ValueError("a reading that is not finite has no place in a gauge study")
    return table


def _analysed(table: np.ndarray) -> tuple[Source, Source, Source, Source]:
    units, operators, trials = table.shape
    centred = table - table[0, 0, 0]  # no digits lost to a far origin
    centred -= centred.mean()
    by_unit, by_operator, by_cell = centred.mean(axis=(1, 2)), centred.mean(axis=(0, 2)), centred.mean(axis=2)
    noise = table.size * (NOISE * float(np.abs(table).max())) ** 2

    def source(name: str, dof: int, squares: float) -> Source:
        return Source(name=name, dof=dof, sum_of_squares=squares if squares > noise else 0.0)

    rest = source(
        "repeatability",
        units * operators * (trials - 1),
        float(np.sum((centred - by_cell[:, :, np.newaxis]) ** 2)),
    )
    both = source(
        "unit x operator",
        (units - 1) * (operators - 1),
        trials * float(np.sum((by_cell - by_unit[:, np.newaxis] - by_operator[np.newaxis, :]) ** 2)),
    )
    unit = source("unit", units - 1, operators * trials * float(np.sum(by_unit**2)))
    operator = source("operator", operators - 1, units * trials * float(np.sum(by_operator**2)))
    # units and operators are drawn at random: they are held against their interaction, not against the repeatability
    return _against(unit, both), _against(operator, both), _against(both, rest), rest


def _against(source: Source, other: Source) -> Source:
    from scipy.special import fdtrc

    if other.sum_of_squares == 0.0:
        return source
    f = source.mean_square / other.mean_square
    p = float(fdtrc(source.dof, other.dof, f))
    return Source(name=source.name, dof=source.dof, sum_of_squares=source.sum_of_squares, f=f, p=p)
