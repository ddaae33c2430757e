"""Least squares for a crossing: where a gently bent line through noisy readings meets its target."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .curve_prior import CurvePrior

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

DB_PER_NEPER = 4.342944819  # 10/ln 10
STRAIGHT_DB = 2.0  # the bend is not trusted further out: a parabola would turn back and lose the crossing
FAR_DB = 8.0  # readings further out say nothing about the crossing to a tenth of a dB


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading as the fit sees it.

    ``level_db`` is the effective level (after lag), ``excess`` the reading minus target, turned so that it rises with level,
    ``lag_sd_db`` the doubt about the effective level.
    """

    level_db: float
    excess: float
    reading_s: float
    lag_sd_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A crossing level with its standard uncertainty ``sd_db`` on ``dof`` degrees of freedom, and what was learnt on the way.

    ``noise_db`` is the scatter of a 0.1 s reading in dB of level; ``trust`` is 1 for a reading believed, towards 0 for an outlier.
    """

    level_db: float
    sd_db: float
    dof: float
    slope: float
    slope_sd: float
    bend: float
    noise_db: float
    trust: tuple[float, ...]
    residual_db: tuple[float, ...]
    centroid_db: float

    @property
    def half_width_db(self) -> float:
        """Half-width of the 95 % interval."""
        return self.sd_db * student_95(self.dof)


def student_95(dof: float) -> float:
    """Return Student's t for a two-sided 95 % interval on ``dof`` degrees of freedom."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.975))


def fit_crossing(points: Sequence[Point], prior: CurvePrior, start_db: float, step: float) -> Fit:
    """Fit the crossing, starting the iteration at ``start_db``; ``step`` is the reading's resolution in its own unit.

    Minimises sum w (excess - slope x - bend q(x))^2 + prior terms, x = level - crossing, by re-centring until the fitted
    excess at the crossing is nought. Weights fall with scatter, resolution, lag and distance; outliers lose theirs.
    """
    import numpy as np

    level = np.array([p.level_db for p in points])
    excess = np.array([p.excess for p in points])
    reading_s = np.array([p.reading_s for p in points])
    lag = np.array([p.lag_sd_db for p in points])
    share = np.sqrt(0.1 / reading_s)
    centre, slope, bend, noise = start_db, prior.slope, prior.bend, prior.sd_db
    ridge = np.diag([0.0, prior.slope_sd**-2, max(prior.bend_sd, 1e-3 * prior.slope) ** -2])
    believed = np.array([0.0, prior.slope, prior.bend])
    covariance = np.linalg.pinv(ridge)
    dof = prior.sd_weight
    trust = np.ones_like(level)
    for _ in range(25):
        x = level - centre
        basis = np.stack([np.ones_like(x), x, bent(x)], axis=1)
        residual = excess - basis[:, 1] * slope - basis[:, 2] * bend
        near = np.abs(x) < 2.5
        if prior.ratio_db:
            capped = np.clip(residual, -6.0, 6.0)
            residual = np.where(near, -DB_PER_NEPER * np.expm1(-capped / DB_PER_NEPER), residual)
        variance = (
            slope**2 * ((noise * share) ** 2 + prior.floor_db**2 + lag**2)
            + (0.02 * slope * np.abs(x) ** 3) ** 2
            + step**2 / 12
        )
        z2 = residual**2 / variance
        trust = np.minimum(1.0, 12.0 / np.maximum(z2, 1e-9)) ** 2
        weight = np.where(np.abs(x) < FAR_DB, trust / variance, 1e-9 * trust / variance)
        wanted = residual + basis[:, 1] * slope + basis[:, 2] * bend
        normal = basis.T @ (weight[:, None] * basis) + ridge
        covariance = np.linalg.inv(normal)
        offset, slope, bend = covariance @ (basis.T @ (weight * wanted) + ridge @ believed)
        slope = max(slope, 0.25 * prior.slope)
        move = float(np.clip(-offset / slope, -4.0, 4.0))
        centre += move
        leverage = weight * np.einsum("ij,jk,ik->i", basis, covariance, basis)
        free = float(np.sum((near & (trust > 0.2)) * np.clip(1 - leverage, 0, 1)))
        dof = prior.sd_weight + free
        scatter = float(np.sum(near * (trust > 0.2) * trust * z2)) * noise**2
        noise_new = np.sqrt((prior.sd_weight * prior.sd_db**2 + scatter) / dof)
        settled = abs(move) < 1e-4 and abs(noise_new - noise) < 1e-3 * noise
        noise = float(noise_new)
        if settled:
            break
    pull = weight * near
    centroid = float((pull * (level - centre)).sum() / pull.sum()) if pull.sum() > 0 else float(np.inf)
    return Fit(
        level_db=float(centre),
        sd_db=float(np.sqrt(covariance[0, 0]) / slope),
        dof=float(dof),
        slope=float(slope),
        slope_sd=float(np.sqrt(covariance[1, 1])),
        bend=float(bend),
        noise_db=noise,
        trust=tuple(float(t) for t in trust),
        residual_db=tuple(float(r) for r in residual / slope),
        centroid_db=centroid,
    )


def bent(x: NDArray) -> NDArray:
    """Return x^2/2 near nought, going on straight beyond STRAIGHT_DB."""
    import numpy as np

    size = np.abs(x)
    return np.where(size <= STRAIGHT_DB, x**2 / 2, STRAIGHT_DB * size - STRAIGHT_DB**2 / 2)
