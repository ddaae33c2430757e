"""Say which readings of something that switches fell away from the signal: far below what lower levels have shown."""

from __future__ import annotations

FALLS = ((2.0, 0.5), (5.0, 0.25))
"""From a level so many dB lower the line, for all its hysteresis, does not come down by more than this share of its span; common practice,
no source."""
MOST_FALLEN = 0.5  # of all readings: more of them are the line's own way


class Fallen:
    """Keeps what was shown at each level, and counts the readings that fell away."""

    def __init__(self) -> None:
        self.count = 0
        self._shown: list[tuple[float, float]] = []

    def take(self, level_db: float, above: float | None) -> bool:
        """Take a reading, by how far it lies above the edge of on (None: not told); return whether the signal was away in it.

        Off is off: what a reading gave at a lower level, off as well, is not undercut by much of the line's whole span because of the
        level. Of a line that only tells on from off nothing falls so far.
        """
        if above is None:
            return False
        most = MOST_FALLEN * len(self._shown)
        fallen = above < 0 and self.count < most and self._lower_shows_more(level_db, above)
        self.count += fallen
        if not fallen:
            self._shown.append((level_db, above))
        return fallen

    def _lower_shows_more(self, level_db: float, above: float) -> bool:
        shown = [one for _, one in self._shown]
        if not shown or max(shown) < 0:
            return False
        span = max(shown) - min(shown)
        return any(
            one < 0 and at <= level_db - below_db and one - above > share * span
            for at, one in self._shown
            for below_db, share in FALLS
        )
