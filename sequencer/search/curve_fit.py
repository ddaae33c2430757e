"""Find by least squares where a gently bent line through noisy readings meets its target."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.quantiles import student_quantile
from sequencer.search.curve_prior import CurvePrior

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy import float64
    from numpy.typing import NDArray

    Array = NDArray[float64]

DB_PER_NEPER = 4.342944819  # 10/ln 10
STRAIGHT_DB = 2.0  # the bend is not trusted further out: a parabola would turn back and lose the crossing
BOW = 0.015  # how far a real curve strays from the bent line: 0.4 dB of level at 3 dB, 1.9 dB at 5 dB
NEAR_DB = 2.5  # readings within tell the scatter
OUTLYING = 12.0  # squared normal deviate beyond which a reading loses weight
FAR_DB = 8.0  # readings further out say nothing about the crossing to a tenth of a dB


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading as the fit sees it.

    ``excess`` is the reading minus target, turned so that it rises with level. What it would have come to
    at rest is doubtful by ``lag_sd`` in its own unit and ``lag_sd_db`` in dB of level; ``gain`` is how much
    noise grew by working that out.
    """

    level_db: float
    excess: float
    reading_s: float
    lag_sd: float = 0.0
    lag_sd_db: float = 0.0
    gain: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A crossing level, and what was learnt on the way to it.

    ``sd_db`` is its standard uncertainty on ``dof`` degrees of freedom.

    ``noise_db`` is the scatter of a 0.1 s reading in dB of level; ``trust`` is 1 for a reading believed,
    towards 0 for an outlier.
    """

    level_db: float
    sd_db: float
    dof: float
    slope: float
    slope_sd: float
    bend: float
    noise_db: float
    trust: tuple[float, ...]
    centroid_db: float
    misfit: float
    blend_db: float = 0.0

    @property
    def half_width_db(self) -> float:
        """Half-width of the 95 % interval."""
        return self.sd_db * student_95(self.dof)

    @property
    def stated(self) -> tuple[float, float]:
        """Middle and half of the 95 % interval."""
        return self.level_db, self.half_width_db


def student_95(dof: float) -> float:
    """Return Student's t for a two-sided 95 % interval on ``dof`` degrees of freedom."""
    return student_quantile(dof, 0.975)


def fit_crossing(points: Sequence[Point], prior: CurvePrior, starts_db: Sequence[float], step: float) -> Fit:
    """Fit the crossing from several starts; return the likeliest.

    ``step`` is the reading's resolution in its own unit. Minimises sum w (excess - slope x - bend q(x))^2 +
    prior terms, x = level - crossing, by re-centring until the fitted excess at the crossing is nought. Weights
    fall with scatter, resolution, lag and distance; outliers lose theirs, so that from one start alone good
    readings may be taken for the outliers.
    """
    work = _Work(points, prior, step)
    return min((work.settle(start) for start in starts_db), key=lambda fit: fit.misfit)


def mixed(fits: Sequence[tuple[float, Fit]]) -> Fit:
    """Blend fits made under different assumptions, each with the weight its assumption had before the readings."""
    best = min(fit.misfit for _, fit in fits)
    weights = [share * math.exp(-(fit.misfit - best) / 2) for share, fit in fits]
    total = sum(weights)
    level_db = sum(w * fit.level_db for w, (_, fit) in zip(weights, fits, strict=True)) / total
    variance = (
        sum(
            w * (fit.sd_db**2 + (fit.level_db - level_db) ** 2)
            for w, (_, fit) in zip(weights, fits, strict=True)
        )
        / total
    )
    spread = (
        sum(w * (fit.level_db - level_db) ** 2 for w, (_, fit) in zip(weights, fits, strict=True)) / total
    )
    heaviest = max(zip(weights, fits, strict=True), key=lambda pair: pair[0])[1][1]
    return replace(
        heaviest,
        level_db=level_db,
        sd_db=math.sqrt(variance),
        blend_db=math.sqrt(spread),
        centroid_db=heaviest.centroid_db + heaviest.level_db - level_db,
    )


class _Work:
    """The arrays of one fit, and the iteration."""

    def __init__(self, points: Sequence[Point], prior: CurvePrior, step: float) -> None:
        import numpy as np

        self.prior, self.step = prior, step
        self.level = np.array([p.level_db for p in points])
        self.excess = np.array([p.excess for p in points])
        self.share = np.array([p.gain * (0.1 / p.reading_s) ** 0.5 for p in points])
        self.lag = np.array([p.lag_sd for p in points])
        self.lag_db = np.array([p.lag_sd_db for p in points])
        self.ridge = np.diag([0.0, prior.slope_sd**-2, max(prior.bend_sd, 1e-3 * prior.slope) ** -2])
        self.believed = np.array([0.0, prior.slope, prior.bend])

    def settle(self, centre: float) -> Fit:
        """Iterate from one start; return the fit."""
        import numpy as np

        prior = self.prior
        slope, bend = prior.slope, prior.bend
        noise = prior.sd_at(slope)
        for _ in range(25):
            x = self.level - centre
            basis = np.stack([np.ones_like(x), x, bent(x)], axis=1)
            near = np.abs(x) < NEAR_DB
            line = basis[:, 1] * slope + basis[:, 2] * bend
            residual = self._residual(self.excess - line, near)
            variance = (
                slope**2 * ((noise * self.share) ** 2 + prior.floor_db**2 + self.lag_db**2)
                + self.lag**2
                + (BOW * slope * np.abs(x) ** 3) ** 2
                + self.step**2 / 12
            )
            z2 = residual**2 / variance
            trust = np.minimum(1.0, OUTLYING / np.maximum(z2, 1e-9)) ** 2
            weight = trust / variance * np.where(np.abs(x) < FAR_DB, 1.0, 1e-9)
            covariance = np.linalg.inv(basis.T @ (weight[:, None] * basis) + self.ridge)
            offset, slope, bend = covariance @ (
                basis.T @ (weight * (residual + line)) + self.ridge @ self.believed
            )
            slope = max(slope, 0.25 * prior.slope)
            move = float(np.clip(-offset / slope, -4.0, 4.0))
            centre += move
            leverage = weight * np.einsum("ij,jk,ik->i", basis, covariance, basis)
            used = near & (trust > 0.2)
            dof = prior.sd_weight + float(np.sum(used * np.clip(1 - leverage, 0, 1)))
            scatter = float(np.sum(used * trust * z2)) * noise**2
            expected = prior.sd_at(slope)
            before, noise = noise, float(np.sqrt((prior.sd_weight * expected**2 + scatter) / dof))
            if abs(move) < 1e-3 and abs(noise - before) < 3e-3 * noise:
                break
        loss = np.where(z2 <= OUTLYING, z2, 2 * OUTLYING - OUTLYING**2 / np.maximum(z2, 1e-9))
        strain = ((slope - prior.slope) / prior.slope_sd) ** 2
        misfit = (
            float(np.sum(loss + np.log(variance)))
            + strain
            + prior.sd_weight * (np.log(noise**2) + expected**2 / noise**2)
        )
        pull = weight * near
        total = float(pull.sum())
        return Fit(
            misfit=misfit,
            level_db=float(centre),
            sd_db=float(np.sqrt(covariance[0, 0]) / slope),
            dof=float(dof),
            slope=float(slope),
            slope_sd=float(np.sqrt(covariance[1, 1])),
            bend=float(bend),
            noise_db=noise,
            trust=tuple(float(t) for t in trust),
            centroid_db=float((pull * (self.level - centre)).sum() / total) if total > 0 else float(np.inf),
        )

    def _residual(self, residual: Array, near: Any) -> Array:
        """Return residuals.

        Those of a power ratio are taken as powers near the crossing, whose mean is not biased.
        """
        import numpy as np

        if not self.prior.ratio_db:
            return residual
        capped = np.clip(residual, -6.0, 6.0)
        return np.where(
            near & (capped == residual), -DB_PER_NEPER * np.expm1(-capped / DB_PER_NEPER), residual
        )


def bent(x: Array) -> Array:
    """Return x^2/2 near nought, going on straight beyond STRAIGHT_DB."""
    import numpy as np

    size = np.abs(x)
    return np.where(size <= STRAIGHT_DB, x**2 / 2, STRAIGHT_DB * size - STRAIGHT_DB**2 / 2)
