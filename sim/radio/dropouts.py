"""An intermittent joint: it fails now and then, at times fixed by the seed alone.

The gaps between failures and their lengths are exponential (a Poisson process; a choice, no source). The
times come from a generator of their own, so that they do not depend on how many readings anybody takes.

Not modelled: failures that depend on heat, vibration or supply.
"""

from __future__ import annotations

import numpy as np

from sim.radio.unit import Dropouts


class DropoutTimes:
    """The failures of one unit, in order of time."""

    def __init__(self, dropouts: Dropouts, now_s: float, rng: np.random.Generator) -> None:
        self._dropouts = dropouts
        self._rng = rng
        self._begin_s = self._end_s = now_s
        if dropouts.interval_s > 0:
            self._draw_next()

    def _draw_next(self) -> None:
        self._begin_s = self._end_s + float(self._rng.exponential(self._dropouts.interval_s))
        self._end_s = self._begin_s + float(self._rng.exponential(self._dropouts.duration_s))

    def loss_db(self, now_s: float, side: str) -> float:
        """Return the loss added at ``now_s`` on the ``receive`` or ``transmit`` side; time only goes on."""
        if self._dropouts.interval_s <= 0 or self._dropouts.side not in (side, "both"):
            return 0.0
        while now_s >= self._end_s:
            self._draw_next()
        return self._dropouts.loss_db if now_s >= self._begin_s else 0.0
