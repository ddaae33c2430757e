"""A reading that follows the level late: what level it stands for, and how long to wait before it is worth taking."""

from __future__ import annotations

import math

from .search import Settling

FIRST_STEP_DB = 30.0  # what the reading may have to travel before the first one: nobody knows where it stood


class Lag:
    """A first-order follower of the level, rising and falling at their own pace.

    It keeps the level the reading has come to (``state_db``), so that a reading taken before it has come to rest is
    counted at the level it stands for instead of being waited out.
    """

    def __init__(self, settling: Settling) -> None:
        self.settling = settling
        self.level_db: float | None = None
        self._state_db = 0.0

    def _left(self, level_db: float, wait_s: float, reading_s: float, factor: float = 1.0) -> float:
        """Return what is still to travel on average over the reading, dB; ``factor`` scales the time constant."""
        step_db = self._step_db(level_db)
        tau_s = factor * (self.settling.rise_s if step_db < 0 else self.settling.fall_s)
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

    def doubt_db(self, level_db: float, wait_s: float, reading_s: float) -> float:
        """Return the standard doubt about the level a reading stands for if it is taken after ``wait_s``."""
        left = self._left(level_db, wait_s, reading_s)
        slower = self._left(level_db, wait_s, reading_s, 1 + self.settling.doubt)
        # A tenth of what is left: a real meter is not exactly first-order, and not exactly straight in dB.
        return math.hypot(slower - left, 0.1 * left)

    def wait_s(self, level_db: float, reading_s: float, doubt_db: float) -> float:
        """Return the shortest wait after which the doubt is at most ``doubt_db``; 0 when nothing is to be waited for."""
        moved = self.level_db is None or level_db != self.level_db
        least_s = self.settling.least_s if moved else 0.0
        if self.doubt_db(level_db, least_s, reading_s) <= doubt_db:
            return least_s
        step_db = self._step_db(level_db)
        tau_s = self.settling.rise_s if step_db < 0 else self.settling.fall_s
        wait_s = least_s
        # The doubt first grows with waiting (the slower meter is further behind), so walk, do not bisect.
        for _ in range(400):
            wait_s += 0.1 * tau_s
            if self.doubt_db(level_db, wait_s, reading_s) <= doubt_db:
                break
        return wait_s

    def take(self, level_db: float, wait_s: float, reading_s: float) -> tuple[float, float]:
        """Note that a reading was taken; return the level it stands for and the doubt about that, dB."""
        left, doubt = self._left(level_db, wait_s, reading_s), self.doubt_db(level_db, wait_s, reading_s)
        step_db = self._step_db(level_db)
        tau_s = self.settling.rise_s if step_db < 0 else self.settling.fall_s
        remains = step_db * math.exp(-(wait_s + reading_s) / tau_s) if tau_s > 0 else 0.0
        self.level_db, self._state_db = level_db, level_db + remains
        return level_db + left, doubt
