"""Work out from yes-or-no tests where two switching levels lie: what is believed of them, on grids.

What is tested has a state, on or off, that the answers tell only as far as they can be trusted: an answer may be dropped ("off" though it
is on), or have nothing to do with the level. So each cell of a grid (a rising level, a falling level, a jitter, a share of dropped answers)
carries how likely it is together with either state, and a test moves both: the forward part of a hidden Markov model.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.search.curve_belief import Expected
from sequencer.search.protocol import require_finite
from sequencer.search.switching_odds import level_weight

if TYPE_CHECKING:
    from collections.abc import Sequence

LAPSE = 0.005
"""Share of answers that have nothing to do with the level, either way: a glance at the wrong segment, a click."""
DROPPED: tuple[tuple[float, float, float], ...] = (
    (0.0, LAPSE, 0.92),
    (0.03, 0.03, 0.015),
    (0.1, LAPSE, 0.03),
    (0.25, LAPSE, 0.035),
)
"""Share of "on" that is answered "off" (a loose joint, a squelch that chatters), of "off" that is answered "on", and the weight before the
first test; common practice, no source."""
SWITCHED_OFF = 0.5
"""How likely what was on is off after the signal was away for a moment: it may have been too short to switch."""
DB_PER_SEGMENT = 4.5
COARSE_STEP_DB = 0.5
BESIDE_DB = 5.0  # on either side of what is believed when the fine part begins
WIDEST_HYSTERESIS_DB = 12.0
HYSTERESIS_SPREAD = 0.9
SMALL_HYSTERESIS = 0.5
"""Below this share of the usual hysteresis all are as likely."""
JITTERS = ((-1.8, 0.2), (-0.9, 0.67), (0.0, 1.0), (0.9, 0.67), (1.8, 0.2))
"""How many doubts the logarithm of the jitter may be off, with weights."""
UNSTEADY = ((2.2, 0.06), (4.0, 0.02))
"""How many times the usual the jitter of a few is, with weights: a squelch or a bar that flutters; common practice, no source."""
CELLS = 64  # with fewer a squelch takes three tests more [measured]
FINEST_DB = 0.02
TAIL = 1e-4


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
    """One test: from which state, at which effective level, and what was answered.

    ``was_on`` None: as the test before left it, whatever was answered there. ``on`` None: no answer. ``gone``: the signal was away, so
    that the state may be off whatever the level.
    """

    was_on: bool | None
    level_db: float
    on: bool | None
    gone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """Mean, standard deviation, median and central 95 % interval of one switching level."""

    level_db: float
    sd_db: float
    median_db: float
    low_db: float
    high_db: float

    @property
    def half_width_db(self) -> float:
        """Half the length of the 95 % interval."""
        return (self.high_db - self.low_db) / 2


def chance_on(level_db: Any, threshold_db: Any, jitter_db: Any) -> Any:
    """Return the probability that the state is on after a test at ``level_db``: a normal ogive."""
    from scipy.special import ndtr

    return ndtr((level_db - threshold_db) / jitter_db)


def hysteresis_weight(hysteresis_db: Any, manner: Manner) -> Any:
    """Return how likely a hysteresis is before the first test: a factor of about 2.5 beyond the usual, any below, none at all too.

    Below nought it falls off by the jitter in place of ending: a prior that ends at nought pushes two levels apart that are one, so that
    neither interval held (82 % of 300) [measured].
    """
    import numpy as np

    usual = np.maximum(hysteresis_db, manner.hysteresis_db * SMALL_HYSTERESIS) + 0.3
    spread = np.log(usual / (manner.hysteresis_db + 0.3)) / HYSTERESIS_SPREAD
    below = np.minimum(hysteresis_db, 0.0) / manner.jitter_db
    return np.exp(-(spread**2 + below**2) / 2) / usual


def _single(values: Any) -> Any:
    """Return values in single precision: most of a search's arithmetic is in its cells."""
    import numpy as np

    return np.asarray(values, np.float32)


class Grid:
    """Both levels with the jitter and the share of dropped answers: cells (jitter, dropped, rising, falling), in either state."""

    def __init__(self, rising_db: Any, falling_db: Any, jitter_db: Any, weight: Any) -> None:
        import numpy as np

        self.rising_db, self.falling_db, self.jitter_db = rising_db, falling_db, jitter_db
        dropped, false_on, shares = (np.array(column, np.float32) for column in zip(*DROPPED, strict=True))
        self._shown_on = (1 - dropped)[:, None, None], false_on[:, None, None]
        self._shown_off = np.maximum(dropped, np.float32(LAPSE))[:, None, None], (1 - false_on)[:, None, None]
        before = weight[:, None] * shares[:, None, None]
        half = (before / (2 * before.sum())).astype(np.float32)
        self._on, self._off = half, half.copy()
        self.log_evidence = 0.0
        self._marginals: dict[str, Any] = {}

    def learn(self, trial: Trial) -> None:
        """Take one test."""
        import numpy as np

        on, off = self._on, self._off
        if trial.was_on is not None:
            on, off = (on + off, 0.0 * off) if trial.was_on else (0.0 * on, on + off)
        jitter = self.jitter_db[:, None, None]
        up = _single(chance_on(trial.level_db, self.rising_db, jitter)[:, None])
        stays = _single(chance_on(trial.level_db, self.falling_db, jitter)[:, None])
        either = on + off
        after = off * up
        after += on * stays
        if trial.gone:
            after *= np.float32(1 - SWITCHED_OFF)
        off = np.maximum(either - after, 0)
        if trial.on is not None:
            shown_if_on, shown_if_off = self._shown_on if trial.on else self._shown_off
            after *= shown_if_on
            off *= shown_if_off
        total = float(after.sum(dtype=float) + off.sum(dtype=float))
        after /= _single(total)
        off /= _single(total)
        self._on, self._off = after, off
        self.log_evidence += math.log(total)
        self._marginals.clear()

    def times(self, factor: Any) -> None:
        """Weigh the cells by ``factor`` as well."""
        total = float(((self._on + self._off) * factor).sum(dtype=float))
        self._on, self._off = (state * _single(factor / total) for state in (self._on, self._off))
        self._marginals.clear()

    @property
    def chance_on_now(self) -> float:
        """How likely it is that the state is on now."""
        return float(self._on.sum(dtype=float))

    def weights(self, *, rising: bool) -> Any:
        """Return the weight of (jitter, level) of one of the levels."""
        name = "rising" if rising else "falling"
        if name not in self._marginals:
            both = (self._on + self._off).sum(axis=1, dtype=float)
            self._marginals[name] = both.sum(axis=2) if rising else self._of_falling(both)
        return self._marginals[name]

    def _of_falling(self, weight: Any) -> Any:
        return weight.sum(axis=1)

    def levels_db(self, *, rising: bool) -> Any:
        """Return the levels that ``weights`` are of."""
        return self.rising_db[:, 0] if rising else self.falling_db[0]

    def belief(self, *, rising: bool) -> Belief:
        """Return what is known of one level."""
        import numpy as np

        weight, level = self.weights(rising=rising).sum(axis=0), self.levels_db(rising=rising)
        mean = float(weight @ level)
        sd = math.sqrt(max(float(weight @ (level - mean) ** 2), 1e-12))
        low, median, high = np.interp([0.025, 0.5, 0.975], np.cumsum(weight) - weight / 2, level)
        return Belief(
            level_db=mean, sd_db=sd, median_db=float(median), low_db=float(low), high_db=float(high)
        )

    def within(self, share: float, *, rising: bool) -> tuple[float, float]:
        """Return the levels beyond which no more than ``share`` of the weight lies at either end."""
        import numpy as np

        weight, level = self.weights(rising=rising).sum(axis=0), self.levels_db(rising=rising)
        sums = np.cumsum(weight)
        first = int(np.searchsorted(sums, share))
        last = int(np.searchsorted(sums, 1 - share))
        return float(level[first]), float(level[min(last, len(level) - 1)])

    def dropping(self) -> float:
        """Return how likely it is that some share of the answers is dropped."""
        return 1.0 - float((self._on[:, 0] + self._off[:, 0]).sum())

    def dropped_mean(self) -> float:
        """Return the believed share of "on" that is answered "off"."""
        by_share = (self._on + self._off).sum(axis=(0, 2, 3), dtype=float)
        return float(sum(weight * row[0] for weight, row in zip(by_share, DROPPED, strict=True)))

    def jitter_mean_db(self) -> float:
        """Return the believed jitter, dB."""
        return float(self.weights(rising=True).sum(axis=1) @ self.jitter_db)


class CoarseGrid(Grid):
    """The rising level and the hysteresis together, over the window and a little beyond."""

    def __init__(
        self, window_db: tuple[float, float], manner: Manner, expected: Expected | None = None
    ) -> None:
        import numpy as np

        low, high = window_db
        beyond = 0.15 * (high - low) + 3.0
        rising_db = np.arange(low - beyond, high + beyond, COARSE_STEP_DB)[:, None]
        widest_db = max(WIDEST_HYSTERESIS_DB, 3 * manner.hysteresis_db)
        hysteresis_db = np.arange(0.0, widest_db + COARSE_STEP_DB / 2, COARSE_STEP_DB)[None, :]
        inside = np.where((rising_db > low) & (rising_db < high), 1.0, 0.15)
        weight = (
            hysteresis_weight(hysteresis_db, manner) * inside * level_weight(rising_db, expected, high - low)
        )
        jitter_db = np.array([max(manner.jitter_db, 0.4)])
        super().__init__(rising_db, rising_db - hysteresis_db, jitter_db, weight[None])

    def seen_on(self, level_db: float, then: Trial) -> None:
        """Take that it was seen on at a level, and ``then``; of dropped answers that says nothing: seen off, nobody would go on."""
        self.times(chance_on(level_db, self.rising_db, self.jitter_db[:, None, None])[:, None])
        self.learn(then)

    def learn_count(self, level_db: float, above: float) -> None:
        """Take how many segments beyond the wanted one are lit (negative: short of it), from a bar of unknown spacing.

        Segments are 3 to 6 dB apart as a rule, 10 and more above S9; common practice, no source.
        """
        import numpy as np

        expected_db = level_db - DB_PER_SEGMENT * above
        spread_db = 1.5 + 0.35 * DB_PER_SEGMENT * abs(above)
        self.times(0.05 + np.exp(-(((self.rising_db - expected_db) / spread_db) ** 2) / 2))

    def levels_db(self, *, rising: bool) -> Any:
        """Return the levels that ``weights`` are of: the falling ones reach further down."""
        import numpy as np

        levels = self.rising_db[:, 0]
        if rising:
            return levels
        count = self.falling_db.shape[1] - 1
        return np.concatenate((levels[0] - COARSE_STEP_DB * np.arange(count, 0, -1), levels))

    def _of_falling(self, weight: Any) -> Any:
        import numpy as np

        (jitters, rows, columns) = weight.shape
        made = np.zeros((jitters, rows + columns - 1))
        for column in range(columns):
            first = columns - 1 - column
            made[:, first : first + rows] += weight[:, :, column]
        return made


class FineGrid(Grid):
    """Both switching levels within ``spans_db`` (falling, rising), with a jitter they share and a hysteresis that is usual.

    ``unsteady``: the jitter may be several times the usual.
    """

    def __init__(
        self,
        trials: Sequence[Trial],
        spans_db: tuple[tuple[float, float], tuple[float, float]],
        manner: Manner,
        *,
        unsteady: bool = False,
    ) -> None:
        import numpy as np

        self.spans_db, self.manner = spans_db, manner
        falling_db, rising_db = (np.linspace(low, high, CELLS) for low, high in spans_db)
        deviates, shares = (np.array(column) for column in zip(*JITTERS, strict=True))
        times = np.exp(np.log(manner.jitter_doubt) * deviates)
        if unsteady:
            more, seldom = (np.array(column) for column in zip(*UNSTEADY, strict=True))
            times, shares = np.concatenate((times, more)), np.concatenate((shares / shares.sum(), seldom))
        jitter_db = manner.jitter_db * times
        # What a rising level (row) says of the falling one (column), and the other way round.
        link = hysteresis_weight(rising_db[:, None] - falling_db[None, :], manner)
        super().__init__(
            rising_db[:, None], falling_db[None, :], jitter_db, shares[:, None, None] * (link + 1e-12)
        )
        for trial in trials:
            self.learn(trial)

    def narrower(self) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """Return spans that still hold all that matters, where they are much narrower; None where this grid does."""
        spans = []
        for rising, (low, high) in zip((False, True), self.spans_db, strict=True):
            first, last = self.within(TAIL, rising=rising)
            cell = (high - low) / (CELLS - 1)
            spans.append((max(low, first - cell), min(high, last + cell)))
        shrunk = min(
            (new[1] - new[0]) / (old[1] - old[0]) for new, old in zip(spans, self.spans_db, strict=True)
        )
        coarse = max(high - low for low, high in self.spans_db) > FINEST_DB * CELLS
        return (spans[0], spans[1]) if coarse and shrunk < 0.65 else None

    def at_edge(self) -> bool:
        """Whether a level may well lie beyond an end of the grid: what led here was wrong."""
        for rising in (False, True):
            weight = self.weights(rising=rising).sum(axis=0)
            if weight[0] + weight[-1] > 1e-3:
                return True
        return False

    def best_level_db(self, *, rising: bool) -> float:
        """Return the level whose test leaves the smallest expected variance of the level wanted."""
        import numpy as np

        belief, weight = self.belief(rising=rising), self.weights(rising=rising)
        level = self.levels_db(rising=rising)
        reach = max(self.jitter_mean_db(), belief.sd_db)
        candidates = belief.level_db + np.linspace(-1.2, 1.2, 13) * reach
        chance = chance_on(candidates[:, None, None], level[None, None, :], self.jitter_db[None, :, None])
        chance = chance * (1 - self.dropped_mean())
        left = 0.0
        for outcome in (chance, 1 - chance):
            joint = (weight[None] * outcome).sum(axis=1)  # over the jitters: of the level alone the variance
            total = joint.sum(axis=1)
            mean = joint @ level / total
            left = left + total * (joint @ level**2 / total - mean**2)
        return float(candidates[int(np.argmin(left))])

    def sure_level_db(self, *, rising: bool) -> float:
        """Return a level that almost surely switches, only just far enough."""
        belief = self.belief(rising=rising)
        away = 2.5 * math.hypot(self.jitter_mean_db(), belief.sd_db) + 0.1
        return belief.level_db + (away if rising else -away)
