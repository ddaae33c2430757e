"""Look again before a search ends with a word on the unit: at the ends of the window, and then at what these leave open."""

from __future__ import annotations

from sequencer.search.curve_anew import Cut, Look, Slow
from sequencer.search.curve_between import BetweenLook
from sequencer.search.curve_late import LateLook, may_be_later, suspected
from sequencer.search.curve_look import EndLook, answering
from sequencer.search.curve_state import State
from sequencer.search.curve_verdict import Verdict
from sequencer.search.protocol import FOUND_AT_ALL, Ask, NoReading, Status

OUTSIDE = frozenset({Status.NEVER_REACHED, Status.ALREADY_PAST})
OF_THE_UNIT = OUTSIDE | {Status.NO_RESPONSE}


class Again:
    """One look after the other; ``ask`` is None once all is seen, and ``outcome`` then says why to search anew, or how the search ends."""

    def __init__(self, state: State, denied: Verdict) -> None:
        self._state, self.denied = state, denied
        self._ends = EndLook(state)
        self._look: Look = self._ends
        self.outcome: Slow | Cut | Verdict = denied

    @property
    def ask(self) -> Ask | None:
        """Return the reading wanted now."""
        return self._look.ask

    def take(self, ask: Ask, reading: float | NoReading, *, made_db: float | None = None) -> None:
        """Note what was read."""
        self._look.take(ask, reading, made_db=made_db)
        while self._look.ask is None:
            following = self._after()
            if isinstance(following, tuple | Slow | Cut):
                self.outcome = following
                return
            self._look = following

    def _after(self) -> Look | Slow | Cut | Verdict:
        """Return the next look, or what came of all of them."""
        if self._look is self._ends:
            return self._after_ends()
        if isinstance(self._look, LateLook):
            return self._after_late(self._look)
        assert isinstance(self._look, BetweenLook)
        return self._look.cut or answering(self._ends, self.denied)

    def _after_ends(self) -> Look | Slow | Cut | Verdict:
        lag, suspect = self._ends.lag, suspected(self._ends, self._state)
        if suspect is not None and (lag is None or suspect.squares < lag[0]):
            return LateLook(self._state, suspect, self._ends)
        return lag[1] if lag is not None else self._answering()

    def _after_late(self, look: LateLook) -> Look | Slow | Cut | Verdict:
        if look.late is not None:
            return look.late
        return (Status.UNSTABLE, look.told) if look.is_late else self._answering()

    def _answering(self) -> Look | Slow | Cut | Verdict:
        ended = answering(self._ends, self.denied)
        if ended[0] in FOUND_AT_ALL:
            return ended
        is_later = ended[0] in OF_THE_UNIT and not isinstance(self._look, LateLook)
        later = may_be_later(self._ends, self._state) if is_later else None
        if later is not None:
            return LateLook(self._state, later, self._ends)
        # What lies past its target at neither end, or at both, may pass it between them.
        side = self._ends.side
        return BetweenLook(self._state, -side, is_full=ended[0] in OUTSIDE) if side else ended
