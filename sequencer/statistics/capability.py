"""How a process lies between its limits: Cp and Cpk from the scatter within, Pp and Ppk from the scatter in all.

Cp = (U - L) / 6 sigma, Cpk = the smaller of (U - mean) and (mean - L) over 3 sigma; Pp and Ppk the same with the standard deviation of
all values (NIST/SEMATECH e-Handbook 6.1.6; ISO 22514-2, from memory). They speak of a normal process that stands still: the
probability that values so unlike a normal distribution come of one stands beside them, and the chart before them.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from sequencer.frozen import dataclass
from sequencer.statistics.charts import deviation_of, individuals_and_moving_range
from sequencer.statistics.proportion import Proportion, find_proportion
from sequencer.uncertainty.decision import Limits

FEWEST = 5
"""Fewer values say nothing about the shape of their distribution."""
NORMAL_ABOVE = 0.05
"""Below this probability the values are said not to be normal (common practice, no source)."""
_REFERENCE = (0.00135, 0.99865)
"""What a normal process keeps within +-3 sigma: the reference interval of ISO 22514-1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Index:
    """One index with its two-sided interval."""

    value: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """What ``n`` values say about a process between ``limits``; ``cp`` and ``pp`` are None where only one limit stands.

    ``sigma_within`` is from the moving range of neighbours in time, ``sigma_overall`` the standard deviation of all. ``normality``: the
    Anderson-Darling probability. ``percentile_ppk``: Ppk by the percentiles 0.135, 50 and 99.865 %, None for fewer values than show them.
    ``outside``: the share beyond the limits.
    """

    n: int
    limits: Limits
    mean: float
    sigma_within: float
    sigma_overall: float
    cp: Index | None
    cpk: Index
    pp: Index | None
    ppk: Index
    normality: float
    percentile_ppk: float | None
    outside: Proportion

    @property
    def is_normal(self) -> bool:
        """Whether nothing speaks against a normal distribution; few values seldom speak against any."""
        return self.normality >= NORMAL_ABOVE


def find_capability(values: Sequence[float], limits: Limits, *, confidence: float = 0.95) -> Capability:
    """Return the capability of ``values``, which stand in the order of time.

    Five values or more that are finite and not all the same, and a limit at least; ValueError otherwise.
    """
    if len(values) < FEWEST:
        raise ValueError(f"{len(values)} values say nothing about a process: {FEWEST} or more are needed")
    if limits.lower is None and limits.upper is None:
        raise ValueError("no limit, so no capability: give a lower or an upper limit")
    charts = individuals_and_moving_range(values)  # sees that they are finite
    mean, overall = statistics.fmean(values), deviation_of(values)
    if charts.sigma <= 0.0 or overall <= 0.0:
        raise ValueError(
            "the values do not scatter, so that no capability follows from them; look at the resolution"
        )
    n = len(values)
    dof = moving_range_dof(n)
    low = -math.inf if limits.lower is None else limits.lower
    high = math.inf if limits.upper is None else limits.upper
    beyond = sum(not low <= value <= high for value in values)
    return Capability(
        n=n,
        limits=limits,
        mean=mean,
        sigma_within=charts.sigma,
        sigma_overall=overall,
        cp=_of_width(limits, charts.sigma, dof, confidence),
        cpk=cpk_index(mean, limits, charts.sigma, n, dof, confidence),
        pp=_of_width(limits, overall, n - 1, confidence),
        ppk=cpk_index(mean, limits, overall, n, n - 1, confidence),
        normality=normality(values),
        percentile_ppk=percentile_index(values, limits),
        outside=find_proportion(beyond, n, confidence=confidence),
    )


def cp_index(limits: Limits, sigma: float, dof: float, confidence: float = 0.95) -> Index:
    """Return Cp with its chi-squared interval; both limits, ``sigma`` above 0 with ``dof`` degrees of freedom."""
    if limits.lower is None or limits.upper is None:
        raise ValueError("Cp needs both limits")
    from scipy.special import chdtri

    value = (limits.upper - limits.lower) / (6.0 * sigma)
    tail = (1.0 - confidence) / 2.0
    # chdtri takes the upper tail's probability
    least, most = (float(chdtri(dof, p)) for p in (1.0 - tail, tail))
    return Index(value=value, lower=value * math.sqrt(least / dof), upper=value * math.sqrt(most / dof))


def cpk_index(
    mean: float, limits: Limits, sigma: float, n: int, dof: float, confidence: float = 0.95
) -> Index:
    """Return Cpk with Bissell's interval: +- z sqrt(1 / 9n + Cpk^2 / 2 dof) (Applied Statistics 39, 1990; NIST/SEMATECH 6.1.6)."""
    from scipy.special import ndtri

    room = [side for side in (_above(mean, limits), _below(mean, limits)) if side is not None]
    value = min(room) / (3.0 * sigma)
    reach = float(ndtri((1.0 + confidence) / 2.0)) * math.sqrt(1.0 / (9.0 * n) + value**2 / (2.0 * dof))
    return Index(value=value, lower=value - reach, upper=value + reach)


def one_sided_cpk_bound(cpk: float, n: int, confidence: float = 0.95) -> float:
    """Return the exact lower bound of a one-sided Cpk, by the noncentral t distribution; ``n`` 2 or more."""
    from scipy.special import nctdtrinc

    # t = 3 sqrt(n) Cpk-hat is noncentral t with 3 sqrt(n) Cpk: find the noncentrality that leaves the upper tail 1 - confidence
    root = 3.0 * math.sqrt(n)
    return float(nctdtrinc(n - 1, confidence, root * cpk)) / root


def moving_range_dof(n: int) -> float:
    """Return the degrees of freedom of a standard deviation from the mean moving range of ``n`` values, 2 or more.

    They are those of a chi-squared with the same relative variance. Of D = X2 - X1, E|D| = 2 / sqrt(pi), Var|D| = 2 - 4 / pi;
    of neighbours, which share a value (correlation -1/2), Cov = (4 / pi)(sqrt(3)/2 + pi/12 - 1).
    """
    m = n - 1
    variance = 2.0 - 4.0 / math.pi
    covariance = (4.0 / math.pi) * (math.sqrt(3.0) / 2.0 + math.pi / 12.0 - 1.0)
    relative = (m * variance + 2.0 * (m - 1) * covariance) / m**2 / (4.0 / math.pi)
    return 1.0 / (2.0 * relative)


def normality(values: Sequence[float]) -> float:
    """Return the probability of values as unlike a normal distribution as these, if they come of one (Anderson and Darling).

    Mean and standard deviation are taken from the values; p by D'Agostino and Stephens, Goodness-of-Fit Techniques, 1986, table 4.9
    (coefficients from memory, held against a reference library). Eight values or more make the p trustworthy.
    """
    from scipy.special import log_ndtr

    n, centre, scale = len(values), statistics.fmean(values), deviation_of(values)
    ordered = sorted((value - centre) / scale for value in values)
    low, high = log_ndtr(ordered), log_ndtr([-one for one in reversed(ordered)])
    total = math.fsum((2 * at + 1) * (float(low[at]) + float(high[at])) for at in range(n))
    statistic = (-n - total / n) * (1.0 + 0.75 / n + 2.25 / n**2)
    return _anderson_probability(statistic)


def _anderson_probability(a: float) -> float:
    if a >= 13.0:  # the last branch turns round there
        return 0.0
    if a < 0.2:
        return 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a**2)
    if a < 0.34:
        return 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    if a < 0.6:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    return math.exp(1.2937 - 5.709 * a + 0.0186 * a**2)


def percentile_index(values: Sequence[float], limits: Limits) -> float | None:
    """Return Ppk by percentiles: (U - x50) / (x99.865 - x50) or (x50 - L) / (x50 - x0.135), the smaller (ISO 22514-2, from memory).

    None for fewer than 741 values, of which none is expected beyond those percentiles, or where they coincide.
    """
    if len(values) * _REFERENCE[0] < 1.0:
        return None
    import numpy as np

    low, middle, high = (float(one) for one in np.quantile(values, (_REFERENCE[0], 0.5, _REFERENCE[1])))
    shares = [
        room / spread if spread > 0 else math.inf
        for room, spread in ((_above(middle, limits), high - middle), (_below(middle, limits), middle - low))
        if room is not None
    ]
    return min(shares) if math.isfinite(min(shares)) else None


def _of_width(limits: Limits, sigma: float, dof: float, confidence: float) -> Index | None:
    if limits.lower is None or limits.upper is None:
        return None
    return cp_index(limits, sigma, dof, confidence)


def _above(value: float, limits: Limits) -> float | None:
    return None if limits.upper is None else limits.upper - value


def _below(value: float, limits: Limits) -> float | None:
    return None if limits.lower is None else value - limits.lower
