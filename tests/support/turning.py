"""A person with a screwdriver, simulated: looks at what is shown, turns a trimmer of the simulated unit, and says when it stands right."""

from __future__ import annotations

from collections.abc import Callable

from sequencer.checks.live import LiveStart, LiveView, Press

HARDEST_TURN = 0.1
CENTRED = 0.6  # of half the band: nobody leaves a preset at its edge
CLEARLY_PAST_DB, NEAR_BEST_DB = 1.5, 0.7


class Turner:
    """Turns towards the target as the screen shows it: learns by a first nudge which way raises and how much, then goes on.

    ``keeps`` False: it never presses a key.
    ``patience``: looks that it waits for what a turn did. ``looks`` are all views, in order; ``starts`` and ``outcomes`` what
    was begun and ended.
    """

    def __init__(
        self,
        turn: Callable[[str, float], None],
        *,
        keeps: bool = True,
        gives_up_after: int = 400,
        patience: int = 3,
    ) -> None:
        self._turn = turn
        self._keeps = keeps
        self._patience = patience
        self._most = gives_up_after
        self.looks: list[LiveView] = []
        self.starts: list[LiveStart] = []
        self.outcomes: list[str] = []
        self.turns = 0.0
        self._begin_anew()

    def _begin_anew(self) -> None:
        self._before: float | None = None
        self._nudge = 0.0
        self._per_turn = 0.0
        self._shown = 0
        self._right = 0
        self._coming_back = False

    def begin(self, start: LiveStart) -> None:
        """Read what is to be turned."""
        self.starts.append(start)
        self._begin_anew()

    def end(self, outcome: str) -> None:
        """Take note of how it ended."""
        self.outcomes.append(outcome)

    def show(self, view: LiveView) -> Press | None:
        """Look; turn while there is something to see; keep once it stood right three times, skip when there is no hope."""
        self.looks.append(view)
        self._shown += 1
        if view.value is None or not self._keeps:
            return None
        if self._shown > self._most:
            return Press.SKIP
        return self._peak(view) if view.aim != "band" else self._to_band(view)

    def _to_band(self, view: LiveView) -> Press | None:
        assert view.value is not None
        assert view.low is not None
        assert view.high is not None
        middle, half = (view.low + view.high) / 2.0, (view.high - view.low) / 2.0
        well_inside = abs(view.value - middle) <= CENTRED * half
        self._right = self._right + 1 if well_inside else 0
        if self._right >= self._patience:
            return Press.KEEP
        # not at every look, so that what lags has followed
        if well_inside or self._shown % self._patience:
            return None
        self._learn(view.value)
        missing = middle - view.value
        wanted = 0.02 if self._per_turn == 0.0 else 0.7 * missing / self._per_turn
        self._by(view, max(-HARDEST_TURN, min(HARDEST_TURN, wanted)))
        return None

    def _learn(self, figure: float) -> None:
        if self._before is not None and abs(self._nudge) > 1e-4 and figure != self._before:
            slope = (figure - self._before) / self._nudge
            if abs(self._nudge) >= 0.01 or self._per_turn == 0.0:
                self._per_turn = slope
        self._before = figure

    def _peak(self, view: LiveView) -> Press | None:
        """Turn on until it is clearly past the best, and back; the second time round it keeps at the best."""
        if self._shown % 4:
            return None
        if self._coming_back:
            self._coming_back = view.past_best > NEAR_BEST_DB
        elif view.past_best > CLEARLY_PAST_DB:
            self._nudge, self._coming_back = -self._nudge, True
            self._right += 1
        if self._right >= 2 and not self._coming_back:
            return Press.KEEP
        self._by(view, self._nudge or 0.04)
        return None

    def _by(self, view: LiveView, turns: float) -> None:
        self._nudge = turns
        self.turns += abs(turns)
        self._turn(view.preset, turns)
