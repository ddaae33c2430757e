"""Work out what level a reading that lags behind its level stands for, and how long to wait before it is worth taking."""

from __future__ import annotations

import math
from collections.abc import Iterable

from sequencer.frozen import dataclass
from sequencer.search.protocol import Settling

SHAPE_DOUBT = 0.1
TRACE = 0.01  # of a step: less of it is not told apart
SMALL_STEP_DB = 3.0
MOST_LEFT = 0.35  # of a large step when a reading is taken: working out the rest makes noise grow by half
STILL_MOVING = 0.3  # of the way to go: a first reading then says where it came from
FIRST_STEP_DB = 30.0  # what the reading may have to travel before the first one: nobody knows where it stood


class Lag:
    """A first-order follower of the level, rising and falling at their own pace.

    It keeps the level the reading has come to (``state_db``), so that a reading taken before it has come to
    rest is counted at the level it stands for instead of being waited out.
    """

    def __init__(self, settling: Settling) -> None:
        self.settling = settling
        self.level_db: float | None = None
        self._state_db = 0.0
        self._rise_s, self._fall_s, self._doubt = settling.rise_s, settling.fall_s, settling.doubt

    def believe(self, rise: float, fall: float, doubt: float) -> None:
        """Take the time constants to be so many times those told, with a standard relative doubt: what readings have shown since."""
        self._rise_s, self._fall_s = rise * self.settling.rise_s, fall * self.settling.fall_s
        self._doubt = doubt

    def _tau_s(self, step_db: float) -> float:
        return self._rise_s if step_db < 0 else self._fall_s

    def _left(self, level_db: float, wait_s: float, reading_s: float, factor: float = 1.0) -> float:
        """Return what is still to travel on average over the reading, dB.

        ``factor`` scales the time constant.
        """
        step_db = self._step_db(level_db)
        tau_s = factor * self._tau_s(step_db)
        if tau_s <= 0:
            return 0.0
        start = math.exp(-wait_s / tau_s)
        if reading_s <= 1e-3 * tau_s:
            return step_db * start
        return step_db * start * -math.expm1(-reading_s / tau_s) * tau_s / reading_s

    def _step_db(self, level_db: float) -> float:
        """Return state minus level: negative when the reading has to rise."""
        if self.level_db is None:
            return -FIRST_STEP_DB
        return self._state_db - level_db

    def reached_db(self, level_db: float, wait_s: float, reading_s: float) -> float:
        """Return the level a reading stands for if it is taken after ``wait_s``, on average over it."""
        return level_db + self._left(level_db, wait_s, reading_s)

    def doubt_db(self, level_db: float, wait_s: float, reading_s: float) -> float:
        """Return the standard doubt about the level a reading stands for if it is taken after ``wait_s``."""
        left = self._left(level_db, wait_s, reading_s)
        slower = self._left(level_db, wait_s, reading_s, 1 + self._doubt)
        # A tenth of what is left: a real meter is not exactly first-order, and not exactly straight in dB.
        return math.hypot(slower - left, 0.1 * left)

    def least_s(self, level_db: float) -> float:
        """Return what is waited in any case: nothing when the level stays."""
        return self.settling.least_s if self.level_db is None or level_db != self.level_db else 0.0

    def wait_s(
        self, level_db: float, reading_s: float, doubt_db: float, most_left: float | None = None
    ) -> float:
        """Return the shortest wait after which the doubt is at most ``doubt_db``.

        A large step must also be done but for MOST_LEFT, or any step but for ``most_left``.
        """
        step_db = self._step_db(level_db)
        share = most_left or (MOST_LEFT if abs(step_db) > SMALL_STEP_DB else 1.0)

        def settled(wait_s: float) -> bool:
            if abs(self._left(level_db, wait_s, reading_s)) > share * abs(step_db):
                return False
            return self.doubt_db(level_db, wait_s, reading_s) <= doubt_db

        wait_s = self.least_s(level_db)
        tau_s = self._tau_s(step_db)
        # The doubt first grows with waiting (the slower meter is further behind), so walk, do not bisect.
        for _ in range(400):
            if settled(wait_s):
                break
            wait_s += 0.1 * tau_s
        return wait_s

    def driven_db(self, level_db: float, after_s: float) -> float:
        """Return the level to set so that the reading has come to ``level_db`` after ``after_s``; as told before the first."""
        if self.level_db is None:
            return level_db
        step_db = self._step_db(level_db)
        tau_s = self._tau_s(step_db)
        left = math.exp(-after_s / tau_s) if tau_s > 0 else 0.0
        return self._state_db - step_db / (1 - min(left, 0.8))

    def begin(self, level_db: float, state_db: float) -> None:
        """Note that the reading stands where it would rest at ``state_db`` while the level is ``level_db``."""
        self.level_db, self._state_db = level_db, state_db

    def lose(self) -> None:
        """Forget where the reading stands: the signal was away, and it is on its way back from wherever it fell to."""
        self.level_db = None

    def take(self, level_db: float, wait_s: float, reading_s: float) -> float:
        """Note that a reading was taken.

        Return the level a linear follower of the level has come to at its end, dB.
        """
        step_db = self._step_db(level_db)
        tau_s = self._tau_s(step_db)
        remains = step_db * math.exp(-(wait_s + reading_s) / tau_s) if tau_s > 0 else 0.0
        self.level_db, self._state_db = level_db, level_db + remains
        return self._state_db


Parts = tuple[tuple[float, float], ...]
"""Levels, dB, each with its share in where the reading stands."""


@dataclass(frozen=True, slots=True)
class SettledReading:
    """A reading as it would have come to rest.

    ``excess`` belongs to ``level_db``; its lag leaves a doubt in its own unit and in dB; noise grew by
    ``gain``. After a small step it is also what the law gives at each of ``parts`` (level in dB, share) together, and ``rest``
    in its own unit: of a law that bends between the levels that is another reading than the one at ``level_db``.
    """

    level_db: float
    excess: float
    doubt: float = 0.0
    doubt_db: float = 0.0
    gain: float = 1.0
    parts: Parts = ()
    rest: float = 0.0


def _moved(stood: Parts, level_db: float, left: float) -> Parts:
    """Return where the reading stands once only ``left`` of the way from ``stood`` to ``level_db`` is left; traces are not kept."""
    kept = [(at_db, share * left) for at_db, share in stood if at_db != level_db and share * left > TRACE]
    return (
        (level_db, 1 - left + sum(share * left for _, share in stood) - sum(share for _, share in kept)),
        *kept,
    )


def averaged_left(wait_s: float, reading_s: float, tau_s: float) -> float:
    """Return what share of a step is still to travel on average over the reading."""
    if tau_s <= 0:
        return 0.0
    ratio = reading_s / tau_s
    return math.exp(-wait_s / tau_s) * (-math.expm1(-ratio) / ratio if ratio > 1e-6 else 1.0)


@dataclass(frozen=True, slots=True)
class RawReading:
    """A reading as it was taken.

    At which level, after which wait, for how long; ``excess`` may be not finite.
    """

    level_db: float
    wait_s: float
    reading_s: float
    excess: float


def settle_readings(
    taken: Iterable[RawReading],
    settling: Settling,
    rise: float = 1.0,
    fall: float = 1.0,
    stands: tuple[float, float] | None = None,
) -> list[SettledReading]:
    """Work out where each reading, in the order taken, would have come to rest.

    A small step is taken in dB: the reading stands for a level between old and new. A large one is taken in
    the reading's own unit, from where it stood when the level was changed, so that nothing is assumed of
    its law. ``rise`` and ``fall`` scale the time constants; ``stands`` is level and reading (as ``excess``) at rest before the first.
    Readings that are not finite are passed on.
    """
    follower = Follower(settling, rise, fall, stands)
    return [follower.settle(reading) for reading in taken]


class Follower:
    """Keeps where the reading stood when the level was last changed, and how long ago that is."""

    def __init__(
        self,
        settling: Settling,
        rise: float = 1.0,
        fall: float = 1.0,
        stands: tuple[float, float] | None = None,
    ) -> None:
        self._doubt = settling.doubt
        self._rise_s, self._fall_s = rise * settling.rise_s, fall * settling.fall_s
        self._level_db = math.nan
        self._stood = self._stood_db = math.nan
        self._stands_db, self._stands = stands or (math.nan, math.nan)
        self._stood_parts: tuple[Parts, float] = ((), math.nan)
        self._stands_parts: tuple[Parts, float] = (((self._stands_db, 1.0),), 0.0)
        self._since_s = 0.0

    def settle(self, taken: RawReading) -> SettledReading:
        """Take the next reading and return it as it would have come to rest."""
        if taken.level_db != self._level_db:
            self._stood, self._stood_db, self._since_s = self._stands, self._stands_db, 0.0
            self._stood_parts = self._stands_parts
            self._level_db = taken.level_db
        start_s = self._since_s + taken.wait_s
        self._since_s = start_s + taken.reading_s
        if not math.isfinite(taken.excess):
            self._stood = self._stands = self._stands_db = math.nan
            return SettledReading(taken.level_db, taken.excess)
        if math.isnan(self._stood):
            left = averaged_left(start_s, taken.reading_s, max(self._rise_s, self._fall_s))
            self._stands, self._stands_db = taken.excess, taken.level_db
            self._stands_parts = ((taken.level_db, 1.0),), 0.0
            if left > STILL_MOVING:  # it tells where the reading began, a large step away
                self._stood, self._stood_db = taken.excess, taken.level_db - FIRST_STEP_DB
                self._since_s = taken.reading_s / 2
            return SettledReading(taken.level_db, taken.excess, doubt_db=FIRST_STEP_DB * left)
        step_db = self._stood_db - taken.level_db
        small = abs(step_db) <= SMALL_STEP_DB
        falls = step_db > 0 if small else taken.excess < self._stood
        tau_s = self._fall_s if falls else self._rise_s
        gone = math.exp(-self._since_s / tau_s) if tau_s > 0 else 0.0
        left = averaged_left(start_s, taken.reading_s, tau_s)
        slower = averaged_left(start_s, taken.reading_s, tau_s * (1 + self._doubt))
        # A tenth of what is left: a real meter is not exactly first-order, and not exactly straight in dB.
        share = math.hypot(0.3 * (slower - left), SHAPE_DOUBT * left)
        self._stands_db = taken.level_db + step_db * gone
        stood, rest = self._stood_parts
        if small:
            self._stands = taken.excess
            self._stands_parts = _moved(stood, taken.level_db, gone), rest * gone
            return SettledReading(
                taken.level_db + step_db * left,
                taken.excess,
                doubt_db=abs(step_db) * share,
                parts=_moved(stood, taken.level_db, left),
                rest=rest * left,
            )
        left = min(left, 0.9)
        final = (taken.excess - self._stood * left) / (1 - left)
        self._stands = final + (self._stood - final) * gone
        self._stands_parts = ((taken.level_db, 1 - gone),), self._stood * gone
        return SettledReading(
            taken.level_db, final, doubt=abs(self._stood - final) * share / (1 - left), gain=1 / (1 - left)
        )
