"""Gauge study where readings are missing: variances by restricted maximum likelihood, for the sums of squares no longer add up.

Readings y = mean + unit + operator + unit x operator + rest, all but the mean normal and drawn at random. Where nothing is missing and no
variance comes out below 0, restricted maximum likelihood gives what the analysis of variance gives: a test holds it to that. Source:
H. D. Patterson and R. Thompson, Biometrika 58, 1971 (from memory); the interaction's test is a likelihood ratio on the edge of its range,
half of a chi-squared of one degree (S. G. Self and K.-Y. Liang, JASA 82, 1987, from memory). It gives no intervals.

The largest likelihood (`sequencer.statistics.gauge_likelihood`) needs readings that scatter. Where an operator's readings of a unit never
differ, each cell counts as one exact reading; where those add up without an interaction, the effects are known exactly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from sequencer.statistics.gauge import ALIKE, NOISE, POOL_ABOVE, GaugeStudy, Readings, Source
from sequencer.statistics.gauge_likelihood import CellMeans, Fit, largest_likelihood

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_READINGS = 1000
"""Beyond it the likelihood takes minutes."""


def find_incomplete_study(readings: Readings, *, pool_above: float = POOL_ABOVE) -> GaugeStudy:
    """Return the study of crossed readings of which some are missing; its ``rows`` are empty but for the interaction's test.

    Needs two units and two operators, and a unit that one operator measured twice; ValueError otherwise.
    """
    cells = {key: list(cell) for key, cell in readings.items() if cell}
    units = list(dict.fromkeys(unit for unit, _ in cells))
    operators = list(dict.fromkeys(operator for _, operator in cells))
    values = np.array([one for cell in cells.values() for one in cell], dtype=np.float64)
    _check(cells, units, operators, values)
    noise = NOISE * float(np.abs(values).max())
    scale = float(np.ptp(values))
    if scale <= noise:
        raise ValueError(ALIKE)
    means = _cell_means(cells, units, operators, values[0], scale)
    if means.within <= len(values) * (noise / scale) ** 2:
        found = _without_scatter(means, len(units), len(operators), noise / scale)
        p, hidden = None, True
    else:
        fit, p = _fitted(means, pool_above)
        unit, operator, both = fit.ratios
        found, hidden = (unit * fit.rest, operator * fit.rest, both * fit.rest, fit.rest), False
    unit, operator, both, rest = (one * scale**2 for one in found)
    test = Source(name="unit x operator", dof=1, sum_of_squares=math.nan, p=p)
    pooled = found[2] == 0.0 if p is None else p > pool_above
    return GaugeStudy(
        units=len(units),
        operators=len(operators),
        trials=max(len(cell) for cell in cells.values()),
        full=(test,),
        rows=() if pooled else (test,),
        repeatability=rest,
        operator=operator,
        interaction=both,
        unit=unit,
        scatter_hidden=hidden,
    )


def _fitted(means: CellMeans, pool_above: float) -> tuple[Fit, float]:
    """Return the fit that counts, without an interaction where nothing speaks for one, and the interaction's p."""
    from scipy.special import chdtrc

    whole, without = largest_likelihood(means, 3), largest_likelihood(means, 2)
    p = 0.5 * float(chdtrc(1, max(0.0, 2.0 * (whole.log_likelihood - without.log_likelihood))))
    return (without if p > pool_above else whole), p


def _without_scatter(
    means: CellMeans, units: int, operators: int, noise: float
) -> tuple[float, float, float, float]:
    """Return the variances of units, operators, interaction and rest where the readings of no cell differ."""
    design = np.zeros((len(means.means), units + operators))
    rows = np.arange(len(means.means))
    design[rows, means.units] = design[rows, units + means.operators] = 1.0
    if np.linalg.matrix_rank(design) < units + operators - 1:
        raise ValueError(
            "the readings of a cell do not differ, and no unit joins what some operators measured to what others did; "
            "measure what is missing"
        )
    effects, *_ = np.linalg.lstsq(design, means.means, rcond=None)
    beyond = means.means - design @ effects
    if float(np.abs(beyond).max()) <= 4.0 * noise:
        found = [float(one.var(ddof=1)) for one in (effects[:units], effects[units:])]
        unit, operator = (one if one > noise**2 else 0.0 for one in found)
        return unit, operator, 0.0, 0.0
    fit = largest_likelihood(means.as_single_readings(), 2)
    return fit.ratios[0] * fit.rest, fit.ratios[1] * fit.rest, fit.rest, 0.0


def _cell_means(
    cells: dict[tuple[str, str], list[float]],
    units: Sequence[str],
    operators: Sequence[str],
    origin: float,
    scale: float,
) -> CellMeans:
    scaled = [(np.array(cell) - origin) / scale for cell in cells.values()]
    return CellMeans(
        units=np.array([units.index(unit) for unit, _ in cells]),
        operators=np.array([operators.index(operator) for _, operator in cells]),
        counts=np.array([float(len(cell)) for cell in scaled]),
        means=np.array([float(cell.mean()) for cell in scaled]),
        within=math.fsum(float(np.sum((cell - cell.mean()) ** 2)) for cell in scaled),
    )


def _check(
    cells: dict[tuple[str, str], list[float]],
    units: Sequence[str],
    operators: Sequence[str],
    values: NDArray[np.float64],
) -> None:
    if len(units) < 2 or len(operators) < 2:
        raise ValueError(
            f"{len(units)} units and {len(operators)} operators with readings: a gauge study needs two or more of each"
        )
    if all(len(cell) < 2 for cell in cells.values()):
        raise ValueError("no operator has measured a unit twice: nothing tells how well a reading repeats")
    if len(values) > MOST_READINGS:
        raise ValueError(f"{len(values)} readings with some missing; at most {MOST_READINGS} by this method")
    if not np.isfinite(values).all():
        raise ValueError("a reading that is not finite has no place in a gauge study")
