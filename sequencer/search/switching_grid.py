"""Work out from yes-or-no tests where two switching levels lie: posteriors on grids."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.search.protocol import require_finite

if TYPE_CHECKING:
    from collections.abc import Sequence

LAPSE = (
    0.01  # share of answers that have nothing to do with the level: a glance at the wrong segment, a click
)
DB_PER_SEGMENT = 4.5
COARSE_STEP_DB = 0.5
HYSTERESIS_SPREAD = 0.9
FINE_STEP_DB = 0.05
DROPPED = (
    0.0,
    0.05,
    0.12,
    0.25,
)  # share of "on" that is answered "off": a loose joint, a squelch that chatters
DROPPED_WEIGHTS = (0.97, 0.01, 0.01, 0.01)  # before the first test; common practice, no source
DROPPED_WEIGHTS_PATIENT = (0.25, 0.25, 0.25, 0.25)  # once the answers have contradicted themselves
IMPOSSIBLE = (
    0.004  # an answer less likely than this where the levels are known has nothing to do with the level
)
JITTER_DEVIATES = (-1.8, -1.2, -0.6, 0.0, 0.6, 1.2, 1.8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How something is expected to switch, before the first test.

    ``hysteresis_db`` (0 or more) within a factor of about 2.5; ``jitter_db`` (greater than 0), the scatter of the
    switching level from test to test, within a factor of ``jitter_doubt`` (greater than 1). Raises SearchInputError.
    """

    hysteresis_db: float
    jitter_db: float
    jitter_doubt: float

    def __post_init__(self) -> None:
        require_finite("hysteresis_db", self.hysteresis_db, least=0.0)
        require_finite("jitter_db", self.jitter_db, above=0.0)
        require_finite("jitter_doubt", self.jitter_doubt, above=1.0)


# Common practice, no source.
BAR = Manner(hysteresis_db=2.5, jitter_db=0.3, jitter_doubt=1.5)
SQUELCH = Manner(hysteresis_db=4.0, jitter_db=0.47, jitter_doubt=1.27)


@dataclass(frozen=True, slots=True)
class Trial:
    """One test: from which state, at which effective level, and whether it ended on.

    ``was_on`` None: not known. ``looks`` 2: "off" was looked at twice before it was believed.
    """

    was_on: bool | None
    level_db: float
    on: bool
    looks: int = 1


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


def chance_on(
    level_db: Any, threshold_db: Any, jitter_db: Any, lapse: float = LAPSE, chances: int = 1
) -> Any:
    """Return the probability of ending on: a normal ogive with lapses, or of doing so in any of ``chances`` looks."""
    from scipy.special import ndtr

    on = ndtr((level_db - threshold_db) / jitter_db)
    return lapse / 2 + (1 - lapse) * (on if chances == 1 else 1 - (1 - on) ** chances)


def hysteresis_weight(hysteresis_db: Any, expected_db: float) -> Any:
    """Return how likely a hysteresis is before the first test: a factor of about 2.5 either way; none at all is possible."""
    import numpy as np

    spread = np.log((np.maximum(hysteresis_db, 0.0) + 0.3) / (expected_db + 0.3)) / HYSTERESIS_SPREAD
    weight = np.exp(-(spread**2) / 2) / (np.maximum(hysteresis_db, 0.0) + 0.3)
    return np.where(hysteresis_db < -1e-9, 0.0, weight)


class CoarseGrid:
    """The rising level and the hysteresis together, over the window and a little beyond."""

    def __init__(self, window_db: tuple[float, float], manner: Manner) -> None:
        import numpy as np

        low, high = window_db
        beyond = 0.15 * (high - low) + 3.0
        self.rising_db = np.arange(low - beyond, high + beyond, COARSE_STEP_DB)[:, None]
        self.hysteresis_db = np.linspace(0.0, max(12.0, 3 * manner.hysteresis_db), 25)[None, :]
        inside = (self.rising_db > low) & (self.rising_db < high)
        self.weight = hysteresis_weight(self.hysteresis_db, manner.hysteresis_db) * np.where(
            inside, 1.0, 0.15
        )
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
    """Both switching levels to a twentieth of a dB, with a jitter they share and a hysteresis that is usual."""

    def __init__(
        self,
        trials: Sequence[Trial],
        centres_db: tuple[float, float],
        manner: Manner,
        reach_db: float = 7.0,
        dropped_weights: Sequence[float] = DROPPED_WEIGHTS,
    ) -> None:
        import numpy as np

        # Each row of the grids is one jitter with one share of dropped answers.
        deviates = np.repeat(JITTER_DEVIATES, len(DROPPED))
        self.jitter_db = manner.jitter_db * np.exp(np.log(manner.jitter_doubt) * deviates)[:, None]
        self.dropped = np.tile(DROPPED, len(JITTER_DEVIATES))[:, None]
        self._log_rows = np.log(np.tile(dropped_weights, len(JITTER_DEVIATES))) - deviates**2 / 2
        span = np.arange(-reach_db, reach_db + FINE_STEP_DB, FINE_STEP_DB)
        # index 0: falling level, tested while on; index 1: rising level, tested while off
        self.level_db = [centre + span[None, :] for centre in centres_db]
        self._log = [np.zeros((deviates.size, span.size)) for _ in centres_db]
        # What a rising level (row) says of the falling one (column), and the other way round.
        link = hysteresis_weight(self.level_db[1].T - self.level_db[0], manner.hysteresis_db)
        self._link = [link, link.T]
        self._weighed: dict[bool, Any] = {}  # until the next test is taken
        for trial in trials:
            self.learn(trial)

    def learn(self, trial: Trial) -> None:
        """Take one test; one from an unknown state says nothing here."""
        import numpy as np

        if trial.was_on is None:
            return
        rising = not trial.was_on
        chance = self._chance_on(trial.level_db, rising, trial.looks)
        self._log[rising] = self._log[rising] + np.log(chance if trial.on else 1 - chance)
        self._weighed.clear()

    def _chance_on(self, level_db: Any, rising: bool, looks: int = 1) -> Any:
        """Return the probability of "on" for each row and level: "on" may be dropped, and what was told off may still be on."""
        dropped = self.dropped**looks
        on = chance_on(level_db, self.level_db[rising], self.jitter_db, LAPSE, looks if rising else 1)
        return (1 - dropped) * (on + (1 - on) * dropped if rising else on)

    def likely(self, trial: Trial) -> float:
        """Return how likely the answer of a test was, by all that is known now and had it followed the level.

        From an unknown state the likelier one counts.
        """
        rising = not (trial.on if trial.was_on is None else trial.was_on)
        on = chance_on(
            trial.level_db, self.level_db[rising], self.jitter_db, 0.0, trial.looks if rising else 1
        )
        chance = float((self._weights(rising) * on).sum())
        return chance if trial.on else 1 - chance

    def dropping(self) -> float:
        """Return how likely it is that 5 % or more of the answers are dropped."""
        weight = self._weights(rising=True).sum(axis=1)
        return float(weight[self.dropped[:, 0] > 0].sum())

    def at_edge(self, *, rising: bool, within_db: float = 1.0) -> bool:
        """Whether one level is believed at an end of the grid: it lies beyond, and what led here was wrong."""
        level = self.level_db[rising][0]
        at = self.belief(rising=rising).level_db
        return bool(at < level[0] + within_db or at > level[-1] - within_db)

    def _weights(self, rising: bool) -> Any:
        """Return the joint weight of (jitter, level); tests of the other direction speak on both, on the level through the hysteresis."""
        if rising not in self._weighed:
            self._weighed[rising] = self._weigh(rising)
        return self._weighed[rising]

    def _weigh(self, rising: bool) -> Any:
        import numpy as np

        other = self._log[not rising]
        linked = np.exp(other - other.max()) @ self._link[rising]
        log = self._log[rising] + np.log(np.maximum(linked, 1e-300)) + self._log_rows[:, None]
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

    def best_level_db(self, *, rising: bool) -> float:
        """Return the level whose test leaves the smallest expected variance of the level wanted."""
        import numpy as np

        belief, weight = self.belief(rising=rising), self._weights(rising)
        level = self.level_db[rising]
        reach = max(self.jitter_mean_db(), belief.sd_db)
        candidates = belief.level_db + np.linspace(-1.2, 1.2, 13) * reach
        chance = self._chance_on(candidates[:, None, None], rising)
        left = 0.0
        for outcome in (chance, 1 - chance):
            joint = (weight[None] * outcome).sum(
                axis=1
            )  # over the rows: of the level alone the variance is wanted
            total = joint.sum(axis=1)
            mean = joint @ level[0] / total
            square = joint @ level[0] ** 2 / total
            left = left + total * (square - mean**2)
        return float(candidates[int(np.argmin(left))])

    def sure_level_db(self, *, rising: bool) -> float:
        """Return a level that almost surely switches, only just far enough."""
        belief = self.belief(rising=rising)
        away = 2.5 * math.hypot(self.jitter_mean_db(), belief.sd_db) + 0.1
        return belief.level_db + (away if rising else -away)


def impossible(fine: FineGrid, trials: Sequence[Trial]) -> list[int]:
    """Return which tests were answered as the levels believed do not allow; the test after one of them is not judged."""
    found: list[int] = []
    for at, trial in enumerate(trials):
        if not (found and found[-1] == at - 1) and fine.likely(trial) < IMPOSSIBLE:
            found.append(at)
    return found
