"""The levels at which a receiver's decoder opens for its own signalling and shuts again, found and proved on the receive side."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.budgets.parts import Parts
from sequencer.checks.shared.level_search.level_finding import SoughtLevel, how_switched, why_smooth
from sequencer.checks.shared.level_search.sensitivity_reader import SILENT_V
from sequencer.checks.shared.level_search.stepper import Stepper
from sequencer.checks.shared.signalling.false_openings import LOOK_S, STILL, Listener
from sequencer.checks.shared.signalling.sender import NOTHING, Below, others
from sequencer.frozen import dataclass
from sequencer.results.model import Point
from sequencer.safety.receive import ReceiveSide
from sequencer.search.protocol import Crossing, Settling, SwitchingCrossing, find_crossing
from sequencer.search.switching import SwitchingSearch
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.decision import Limits
from sequencer.units.format import short_quantity

DWELL_S = LOOK_S
RECEIVER_S = 0.03  # time constant of a receiver before its decoder: common practice, no source
LEAST_CONTRAST = 3.0
BESIDE_DB = 0.5  # beyond what the search leaves open
Sought = tuple[str, Limits]


@dataclass(frozen=True, slots=True, kw_only=True)
class StaysShut:
    """In words why no voltage tells open from shut; ``on_unit``: because of the unit, which opens for another tone or code."""

    why: str
    on_unit: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DecoderOnSide:
    """A receiver with a decoder on the receive side, and how it is asked.

    ``own`` opens it, with ``swing_hz`` of deviation; ``audible`` is the tone to be heard and its deviation, Hz. The decoder is given
    ``detect_s`` in the search, ``pause_s`` after a change by far, ``slow_s`` where it may be slower than stated.
    """

    side: ReceiveSide
    conditions: Conditions
    own: Below
    swing_hz: float
    audible: tuple[float, float]
    detect_s: float
    pause_s: float
    slow_s: float
    window_dbm: tuple[float, float]
    strong_dbm: float
    accuracy_db: float

    def apply_own(self, level_dbm: float) -> None:
        """Switch the carrier on with the tone to be heard and the unit's own signalling."""
        tone_hz, deviation_hz = self.audible
        self.side.apply_fm(level_dbm, deviation_hz=deviation_hz, tone_hz=tone_hz)
        self.own.send(self.side, self.swing_hz)

    def listener(self, threshold_v: float) -> Listener:
        """Return what is asked for what it opens at the strong level."""
        return Listener(
            side=self.side,
            own=self.own,
            deviation_hz=self.swing_hz,
            audible_hz=self.audible[1],
            pause_s=self.pause_s,
            threshold_v=threshold_v,
            apply=lambda: self.apply_own(self.strong_dbm),
        )

    # -- open or shut -------------------------------------------------------------------------------------------------

    def find_threshold_v(self) -> float | StaysShut:
        """Return the voltage midway (in dB) between shut and open, or in words why there is none."""
        self.side.remove_signal()
        shut_v = self._settled_v()
        self.apply_own(self.strong_dbm)
        open_v = self._settled_v()
        if open_v is None or shut_v is None:
            return StaysShut(why="the loudspeaker's voltage could not be read with and without a signal")
        if open_v >= LEAST_CONTRAST * shut_v and open_v >= SILENT_V:
            return math.sqrt(max(shut_v, 1e-6) * open_v)
        found = (
            f"{short_quantity(shut_v, 'V', 2)} without a signal and {short_quantity(open_v, 'V', 2)} for {self.own.name} "
            f"at {self.strong_dbm:g} dBm"
        )
        if max(shut_v, open_v) >= SILENT_V:
            return StaysShut(
                why=f"{found}: it stands open without a signal (choose its signalling, and let no monitor key hold it open)"
            )
        return self._why_shut(found, max(SILENT_V, LEAST_CONTRAST * shut_v))

    def _why_shut(self, found: str, open_above_v: float) -> StaysShut:
        """Return why it never opens for its own: because it opens for another, or nothing shows why."""
        listener = self.listener(open_above_v)
        for other in (NOTHING, *others(self.own)):
            if listener.opens_for(other):
                said = "with no signalling at all" if other.is_nothing else f"for {other.name}"
                return StaysShut(
                    why=f"it stays shut for {self.own.name}, and opens {said}", on_unit=not other.is_nothing
                )
        self.own.send(self.side, self.swing_hz)
        return StaysShut(
            why=f"{found}: it opens for no listed signalling (its decoder, its squelch or its volume; {STILL})"
        )

    def _settled_v(self) -> float | None:
        self.side.wait_s(self.pause_s)
        return self.side.read_audio_v(2.0 * DWELL_S).number

    # -- levels -------------------------------------------------------------------------------------------------------

    def find_levels(
        self, threshold_v: float, opens: Sought, closes: Sought, *, further: Parts
    ) -> list[Finding]:
        """Return the levels at which it opens and closes, each named and limited; ``further`` is what else enters their budgets, dB."""
        search = SwitchingSearch(
            window_db=self.window_dbm,
            level_unit="dBm",
            accuracy_db=self.accuracy_db,
            settling=Settling(rise_s=RECEIVER_S, fall_s=RECEIVER_S, least_s=self.detect_s, doubt=0.5),
            dwell_s=DWELL_S,
            proved_elsewhere=True,
        )
        first = search.ask
        self.apply_own(first.level_db if first is not None else self.window_dbm[0])
        self.side.wait_s(self.pause_s)
        stepper = Stepper(self.side, self.conditions, self.side.read_audio_v, unit="V")
        found = find_crossing(search, lambda ask: stepper.test(ask, threshold_v))
        points = tuple(stepper.points)
        why_not = ""
        if found.found:
            why_not = why_smooth(points, threshold_v) or self._why_unproved(threshold_v, found)
        return [
            self._level(sought, crossing, found, points, threshold_v, why_not, further)
            for sought, crossing in ((opens, found.rising), (closes, found.falling))
        ]

    def _level(
        self,
        wanted: Sought,
        crossing: Crossing | None,
        found: SwitchingCrossing,
        points: tuple[Point, ...],
        threshold_v: float,
        why_not: str,
        further: Parts,
    ) -> Finding:
        sought = SoughtLevel(
            quantity=wanted[0],
            target_v=threshold_v,
            limits=wanted[1],
            points=points,
            conditions=self.conditions,
        )
        if why_not or not found.found or crossing is None or crossing.level_db is None:
            said = f"{found.status.value} after {found.readings} looks"
            return sought.not_found(why_not or "; ".join((said, *found.warnings)))
        finding = sought.found(crossing, f"for {self.own.name}; {how_switched(crossing, found)}")
        assert finding.budget is not None
        return replace(finding, budget=_with(finding.budget, further))

    # -- proofs -------------------------------------------------------------------------------------------------------

    def _why_unproved(self, threshold_v: float, found: SwitchingCrossing) -> str:
        """Return in words that the audio follows its own signalling no more, or later than stated; nothing where it does as it should."""
        listener = self.listener(threshold_v)
        listener.apply()
        is_open = listener.is_open_after(self.pause_s)
        shut_again = listener.opens_for(NOTHING)
        self.own.send(self.side, self.swing_hz)
        if not is_open or shut_again is None:
            return (
                f"after the search it did not open for {self.own.name} at {self.strong_dbm:g} dBm: the audio analyser answers late, or the "
                "generator's level no longer counts"
            )
        return next((why for why in self._slow(listener, found) if why), "")

    def _slow(self, listener: Listener, found: SwitchingCrossing) -> Iterator[str]:
        """Yield in words that it opens lower, and that it closes higher, when it is given time."""
        for crossing, rising in ((found.rising, True), (found.falling, False)):
            if crossing is None or crossing.level_db is None:
                continue
            beside_db = crossing.half_width_db + BESIDE_DB
            level_dbm = crossing.level_db + (-beside_db if rising else beside_db)
            if not self.window_dbm[0] <= level_dbm <= self.window_dbm[1]:
                continue
            if rising:
                self.side.remove_signal()
            else:
                listener.apply()
            self.side.wait_s(self.pause_s)
            self.apply_own(level_dbm) if rising else self.side.set_level_dbm(level_dbm)
            verb = "open" if rising else "shut"
            is_open = listener.is_open_after(self.slow_s)
            if is_open is None:  # a fault that passes costs nothing
                is_open = listener.is_open_after(self.pause_s)
            if is_open is None:
                yield f"the loudspeaker's voltage could not be read where it was to show that it {verb}s no later than 'detect' says"
            elif is_open is rising:
                yield (
                    f"it was found to {verb} at {crossing.level_db:.1f} dBm, and {verb}s at {level_dbm:.1f} dBm when it is given "
                    f"{self.slow_s:.3g} s: it is slower than 'detect: {1e3 * self.detect_s:g} ms' says. State a longer 'detect'"
                )


def _with(budget: Budget, further: Parts) -> Budget:
    """Return a budget with further parts, and with what the bench file leaves out of them."""
    more = further.budget(budget.quantity, budget.unit, budget.value)
    return replace(
        budget,
        contributions=(*budget.contributions, *more.contributions),
        unstated=tuple(dict.fromkeys((*budget.unstated, *more.unstated))),
    )
