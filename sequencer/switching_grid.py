"""What yes-or-no tests say about two switching levels: posteriors on grids."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

LAPSE = (
    0.01  # share of answers that have nothing to do with the level: a glance at the wrong segment, a click
)
DB_PER_SEGMENT = 4.5
COARSE_STEP_DB = 0.5
FINE_STEP_DB = 0.05


@dataclass(frozen=True, slots=True)
class Trial:
    """One test: from which state, at which effective level, and whether it ended on.

    ``was_on`` None: not known.
    """

    was_on: bool | None
    level_db: float
    on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """Mean, standard deviation and central 95 % interval of one switching level."""

    level_db: float
    sd_db: float
    low_db: float
    high_db: float

    @property
    def half_width_db(self) -> float:
        """Half the length of the 95 % interval."""
        return (self.high_db - self.low_db) / 2


def chance_on(level_db: Any, threshold_db: Any, jitter_db: Any) -> Any:
    """Return the probability of ending on: a normal ogive with lapses."""
    from scipy.special import ndtr

    return LAPSE / 2 + (1 - LAPSE) * ndtr((level_db - threshold_db) / jitter_db)


class CoarseGrid:
    """The rising level and the hysteresis together, over the window and a little beyond."""

    def __init__(self, window_db: tuple[float, float], hysteresis_db: float) -> None:
        import numpy as np

        low, high = window_db
        beyond = 0.15 * (high - low) + 3.0
        self.rising_db = np.arange(low - beyond, high + beyond, COARSE_STEP_DB)[:, None]
        self.hysteresis_db = np.linspace(0.0, max(12.0, 3 * hysteresis_db), 25)[None, :]
        spread = np.log((self.hysteresis_db + 0.3) / (hysteresis_db + 0.3)) / 0.9
        inside = (self.rising_db > low) & (self.rising_db < high)
        self.weight = np.exp(-(spread**2) / 2) / (self.hysteresis_db + 0.3) * np.where(inside, 1.0, 0.15)
        self.falling_db = self.rising_db - self.hysteresis_db
        self.weight = self.weight / self.weight.sum()

    def learn(self, trial: Trial, jitter_db: float) -> None:
        """Take one test."""
        on_if_off = chance_on(trial.level_db, self.rising_db, jitter_db)
        on_if_on = chance_on(trial.level_db, self.falling_db, jitter_db)
        known = on_if_on if trial.was_on else on_if_off
        chance = (on_if_off + on_if_on) / 2 if trial.was_on is None else known
        self.weight = self.weight * (chance if trial.on else 1 - chance)
        self.weight = self.weight / self.weight.sum()

    def learn_count(self, level_db: float, above: float) -> None:
        """Take how many segments beyond the wanted one are lit (negative: short of it), from a bar of unknown spacing.

        Segments are 3 to 6 dB apart as a rule, 10 and more above S9; common practice, no source.
        """
        import numpy as np

        expected_db = level_db - DB_PER_SEGMENT * above
        spread_db = 1.5 + 0.35 * DB_PER_SEGMENT * abs(above)
        likely = np.exp(-(((self.rising_db - expected_db) / spread_db) ** 2) / 2)
        self.weight = self.weight * (0.05 + likely)
        self.weight = self.weight / self.weight.sum()

    def belief(self, *, rising: bool) -> tuple[float, float, float]:
        """Return median, mean and standard deviation of one level."""
        import numpy as np

        level = np.broadcast_to(self.rising_db if rising else self.falling_db, self.weight.shape)
        mean = float((self.weight * level).sum())
        sd = math.sqrt(max(0.0, float((self.weight * (level - mean) ** 2).sum())))
        order = np.argsort(level, axis=None, kind="stable")
        cumulated = np.cumsum(self.weight.ravel()[order])
        median = float(level.ravel()[order][min(int(np.searchsorted(cumulated, 0.5)), level.size - 1)])
        return median, mean, sd


class FineGrid:
    """Both switching levels to a twentieth of a dB, with a jitter they share."""

    def __init__(
        self,
        trials: Sequence[Trial],
        centres_db: tuple[float, float],
        jitter_db: float,
        doubt: float,
        reach_db: float = 7.0,
    ) -> None:
        import numpy as np

        self.jitter_db = jitter_db * np.exp(np.log(doubt) * np.linspace(-1.8, 1.8, 7))[:, None]
        self._log_jitter = -(np.linspace(-1.8, 1.8, 7) ** 2) / 2
        span = np.arange(-reach_db, reach_db + FINE_STEP_DB, FINE_STEP_DB)
        # index 0: falling level, tested while on; index 1: rising level, tested while off
        self.level_db = [centre + span[None, :] for centre in centres_db]
        self._log = [np.zeros((7, span.size)) for _ in centres_db]
        for trial in trials:
            self.learn(trial)

    def learn(self, trial: Trial) -> None:
        """Take one test; one from an unknown state says nothing here."""
        import numpy as np

        if trial.was_on is None:
            return
        rising = not trial.was_on
        chance = chance_on(trial.level_db, self.level_db[rising], self.jitter_db)
        self._log[rising] = self._log[rising] + np.log(chance if trial.on else 1 - chance)

    def _weights(self, rising: bool) -> Any:
        """Return the joint weight of (jitter, level); the other direction's tests speak on the jitter too."""
        import numpy as np
        from scipy.special import logsumexp

        other = logsumexp(self._log[not rising], axis=1) + self._log_jitter
        log = self._log[rising] + other[:, None]
        weight = np.exp(log - log.max())
        return weight / weight.sum()

    def belief(self, *, rising: bool) -> Belief:
        """Return what is known of one level."""
        import numpy as np

        weight = self._weights(rising).sum(axis=0)
        level = self.level_db[rising][0]
        mean = float((weight * level).sum())
        sd = math.sqrt(float((weight * (level - mean) ** 2).sum()))
        low, high = np.interp([0.025, 0.975], np.cumsum(weight) - weight / 2, level)
        return Belief(level_db=mean, sd_db=sd, low_db=float(low), high_db=float(high))

    def jitter_mean_db(self) -> float:
        """Return the believed jitter, dB."""
        weight = self._weights(rising=True).sum(axis=1)
        return float((weight * self.jitter_db[:, 0]).sum())

    def best_level_db(self, *, rising: bool, turn: float = 0.0) -> float:
        """Return the level whose test leaves the smallest expected variance of the level wanted.

        ``turn`` is what a test that does not switch costs, as a share of the present variance.
        """
        import numpy as np

        belief, weight = self.belief(rising=rising), self._weights(rising)
        level = self.level_db[rising]
        reach = max(self.jitter_mean_db(), belief.sd_db)
        candidates = belief.level_db + np.linspace(-1.2, 1.2, 13) * reach
        chance = chance_on(candidates[:, None, None], level[None], self.jitter_db[None])
        left = 0.0
        for outcome in (chance, 1 - chance):
            joint = weight[None] * outcome
            total = joint.sum(axis=(1, 2))
            mean = (joint * level).sum(axis=(1, 2)) / total
            square = (joint * level**2).sum(axis=(1, 2)) / total
            left = left + total * (square - mean**2)
            if (outcome is chance) != rising:
                left = left + turn * belief.sd_db**2 * total
        return float(candidates[int(np.argmin(left))])

    def sure_level_db(self, *, rising: bool) -> float:
        """Return a level that almost surely switches, only just far enough."""
        belief = self.belief(rising=rising)
        away = 2.5 * math.hypot(self.jitter_mean_db(), belief.sd_db) + 0.1
        return belief.level_db + (away if rising else -away)
