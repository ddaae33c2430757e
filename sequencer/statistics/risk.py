"""What a decision rule costs over a whole production: the global risks of JCGM 106:2012, clause 9, that decisions are held against.

Of all units made, the false accepts (consumer's risk) violate a limit and pass; the false rejects (producer's
risk) meet the limits and do not pass. Both are joint probabilities: shares of all units made.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

from sequencer.frozen import dataclass
from sequencer.uncertainty.decision import Limits, normal_cdf


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisk:
    """Shares of all units made, 0...1.

    ``conforming``: units that meet the limits. ``accepted``: units that pass, rightly or not.
    """

    false_accept: float
    false_reject: float
    conforming: float
    accepted: float

    @property
    def false_accept_of_accepted(self) -> float:
        """The share of the accepted units that violate a limit; NaN if none is accepted."""
        return self.false_accept / self.accepted if self.accepted > 0 else math.nan


def normal_risk(
    mean: float,
    standard_deviation: float,
    standard_uncertainty: float,
    limits: Limits,
    guard_band: float = 0.0,
) -> GlobalRisk:
    """Return the global risks of a process whose true values are normal.

    All in the unit of the limits; ``standard_deviation`` above 0, ``standard_uncertainty`` 0 or more,
    ``guard_band`` w of any sign. ValueError otherwise, or without a limit.
    """
    if not (math.isfinite(mean) and math.isfinite(standard_deviation) and standard_deviation > 0):
        raise ValueError(
            f"process mean {mean}, standard deviation {standard_deviation}: finite, the second above 0"
        )

    def density(x: float) -> float:
        z = (x - mean) / standard_deviation
        return math.exp(-0.5 * z * z) / (standard_deviation * math.sqrt(2 * math.pi))

    reach = 10 * standard_deviation  # 1.5e-23 of the units lie beyond
    return process_risk(density, (mean - reach, mean + reach), standard_uncertainty, limits, guard_band)


def process_risk(
    density: Callable[[float], float],
    support: tuple[float, float],
    standard_uncertainty: float,
    limits: Limits,
    guard_band: float = 0.0,
) -> GlobalRisk:
    """Return the global risks of a process whose true values have a ``density`` on a finite ``support``.

    The error of measurement is normal with ``standard_uncertainty`` u, 0 or more. ValueError for a u that is
    negative, a support that is empty or infinite, or no limit.
    """
    if not (math.isfinite(standard_uncertainty) and standard_uncertainty >= 0):
        raise ValueError(f"standard uncertainty is {standard_uncertainty}: it must be finite and 0 or more")
    if not -math.inf < support[0] < support[1] < math.inf:
        raise ValueError(f"support {support} must be two finite numbers, the lower first")
    if limits == Limits():
        raise ValueError("no limit, so no risk. Give a lower or an upper limit.")
    from scipy.integrate import quad

    lower = -math.inf if limits.lower is None else limits.lower
    upper = math.inf if limits.upper is None else limits.upper
    accept = _acceptance(standard_uncertainty, lower + guard_band, upper - guard_band)
    turns = (lower, upper, lower + guard_band, upper - guard_band)
    edges = _edges(support, standard_uncertainty, turns)
    shares = {(inside, passes): 0.0 for inside in (True, False) for passes in (True, False)}
    for start, stop in pairwise(edges):
        inside = lower <= (start + stop) / 2 <= upper
        shares[inside, True] += quad(lambda x: density(x) * accept(x), start, stop)[0]
        shares[inside, False] += quad(lambda x: density(x) * (1 - accept(x)), start, stop)[0]
    return GlobalRisk(
        false_accept=shares[False, True],
        false_reject=shares[True, False],
        conforming=shares[True, True] + shares[True, False],
        accepted=shares[True, True] + shares[False, True],
    )


def symmetric_risk(in_tolerance: float, uncertainty_ratio: float, guard_band: float = 0.0) -> GlobalRisk:
    """Return the global risks for limits of -1 and +1 and a normal process centred between them.

    ``in_tolerance``: share of the units that conform, between 0 and 1; ``uncertainty_ratio``: tolerance / 2U
    with U = 2u, above 0; ``guard_band`` as a share of the half tolerance. ValueError otherwise.
    """
    if not 0 < in_tolerance < 1:
        raise ValueError(f"in-tolerance probability {in_tolerance} must lie between 0 and 1")
    if not uncertainty_ratio > 0:
        raise ValueError(f"uncertainty ratio {uncertainty_ratio} must be above 0")
    from scipy.special import ndtri

    sigma = 1 / float(ndtri((1 + in_tolerance) / 2))
    return normal_risk(0.0, sigma, 1 / (2 * uncertainty_ratio), Limits(lower=-1.0, upper=1.0), guard_band)


def guard_band_for(risk: Callable[[float], GlobalRisk], false_accept: float, widest: float) -> float:
    """Find the guard band, 0...``widest``, that brings the false accepts down to ``false_accept``.

    ``risk`` tells the global risk of a guard band. 0 where none is needed; ValueError if ``widest`` is too
    narrow.
    """
    from scipy.optimize import brentq

    def excess(guard_band: float) -> float:
        return risk(guard_band).false_accept - false_accept

    if excess(0.0) <= 0:
        return 0.0
    if excess(widest) > 0:
        raise ValueError(
            f"a guard band of {widest:g} still accepts more than {false_accept:.3g} of all units wrongly; "
            "allow a wider one"
        )
    return float(brentq(excess, 0.0, widest, xtol=1e-12 * widest, rtol=1e-12))


def guard_factor_for(specific_risk: float, coverage_factor: float = 2.0) -> float:
    """Return the guard factor r that holds the specific risk: the inverse of Phi(-k r).

    ``specific_risk`` between 0 and 1, else ValueError. 5 % gives 0.8224 at k = 2.
    """
    if not 0 < specific_risk < 1:
        raise ValueError(f"specific risk {specific_risk} must lie between 0 and 1")
    from scipy.special import ndtri

    return -float(ndtri(specific_risk)) / coverage_factor


def managed_guard_band_factor(uncertainty_ratio: float) -> float:
    """Return A/T, acceptance limit over limit, that keeps the false accepts below 2 % for any process.

    1 - M/TUR with M = 1.04 - exp(0.38 ln TUR - 0.54) ("method 6" for ANSI/NCSL Z540.3), never above 1.
    ``uncertainty_ratio`` TUR 1 or more, else ValueError: below that the fit was not made.
    """
    if not uncertainty_ratio >= 1:
        raise ValueError(f"uncertainty ratio {uncertainty_ratio} must be 1 or more for this rule")
    multiplier = 1.04 - math.exp(0.38 * math.log(uncertainty_ratio) - 0.54)
    return min(1.0, 1 - multiplier / uncertainty_ratio)


def _acceptance(standard_uncertainty: float, lower: float, upper: float) -> Callable[[float], float]:
    """Return the probability that a unit of true value x reads between the acceptance limits."""
    if lower > upper:
        return lambda x: 0.0
    if standard_uncertainty == 0:
        return lambda x: float(lower <= x <= upper)
    u = standard_uncertainty

    def accept(x: float) -> float:
        # The smaller tail of the two pairs keeps its digits far outside the limits.
        if x > upper:
            return normal_cdf((upper - x) / u) - normal_cdf((lower - x) / u)
        return normal_cdf((x - lower) / u) - normal_cdf((x - upper) / u)

    return accept


def _edges(support: tuple[float, float], u: float, turns: tuple[float, ...]) -> list[float]:
    """Cut the support where the integrand turns: a step much narrower than the process is then not missed."""
    start, stop = support
    cuts = {start + (stop - start) * i / 8 for i in range(9)}
    cuts |= {turn + step * u for turn in turns for step in (-9, -3, 0, 3, 9) if math.isfinite(turn)}
    return sorted(cut for cut in cuts if start <= cut <= stop)
