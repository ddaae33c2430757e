"""What the signal meter's line proves of generator and voltmeter: it moves with the signal, and stands for the signal there is now.

Read twice after each of two large steps, generator on and off: a voltmeter that answers with the reading before gives the state
before first; a generator that reads off and stays on leaves the line where it was, and moves it with its level all the same.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.clock import Clock
from drivers.faults import NotConfirmed, UnexpectedReply
from drivers.roles import Instrument, Reading
from sequencer.frozen import dataclass

LEAST_V, LEAST_SHARE = (
    0.005,
    0.03,
)  # and of the voltage: a line that moves by less is taken to stand; workshop's own
CLEAR_V, CLEAR_SCATTERS = 0.1, 5.0  # and of what two readings differ by: what noise alone does not do
OF_SEEN = 0.25  # of what it moved by in the check
LATE_SHARE = (
    0.2  # of the step, that the first reading after it has moved at most where it is of the state before
)
RISES, FALLS = 3.0, 2.0  # time constants waited for: 95 % and 86 % of the way
PATIENCE_S, PATIENT_FALLS = (
    10.0,
    8.0,
)  # for a line that has not moved yet: some hold for seconds what they showed
READING_S = 0.1


Pair = tuple[float, float]
"""Two readings of the line, V, one right after the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterTimes:
    """Time constants with which the signal meter follows, s."""

    rise_s: float = 0.1
    fall_s: float = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class LineProof:
    """Asks the line once a check is done. ``strong`` and ``lowest`` set the generator's level, and return it; ``off`` switches it off.

    ``seen_v`` is by how much the line moved in the check.
    """

    read: Callable[[float], Reading]
    strong: Callable[[], float]
    off: Callable[[], None]
    lowest: Callable[[], float | None]
    clock: Clock
    times: MeterTimes
    generator: Instrument
    voltmeter: Instrument
    seen_v: float

    def confirm(self) -> None:
        """Raise UnexpectedReply for a voltmeter that answers late or stands still.

        NotConfirmed for a generator that reads off and is on.
        """
        strong_dbm = self.strong()
        on = self._read_twice(RISES * self.times.rise_s)
        self.off()
        gone = self._read_twice(FALLS * self.times.fall_s)
        if on is None or gone is None:
            return
        step_v = gone[1] - on[1]
        if not self._moves(step_v, on[1], gone[1]):
            self._look_longer(strong_dbm, on)
        elif abs(gone[0] - on[1]) <= LATE_SHARE * abs(step_v):
            raise self._late(*gone)

    def follows(self) -> bool:
        """Say whether the line clearly moves with the signal, as a second witness: by far more than it scatters."""
        self.strong()
        on = self._read_twice(RISES * self.times.rise_s)
        self.off()
        gone = self._read_twice(FALLS * self.times.fall_s)
        if on is None or gone is None:
            return False
        scatter_v = max(abs(on[1] - on[0]), abs(gone[1] - gone[0]))
        return abs(sum(gone) - sum(on)) / 2.0 > max(CLEAR_V, CLEAR_SCATTERS * scatter_v)

    def _late(self, first_v: float, second_v: float) -> UnexpectedReply:
        return UnexpectedReply(
            f"meter voltage: with the generator off it reads {first_v:.4g} V, as with a signal, and {second_v:.4g} V when read once "
            "more: it answers late, with the reading before",
            instrument=self.voltmeter.name,
            address=self.voltmeter.address,
            next_move="Check whether it measures anew each time it is asked, its integration time, and 'settle' in the bench "
            "file; or state a longer 'decay' of the meter if its needle is that slow.",
        )

    def _look_longer(self, strong_dbm: float, on: Pair) -> None:
        """Raise what a line that has not moved tells, unless it is only slower than anybody said."""
        late = self._read_twice(max(PATIENCE_S, PATIENT_FALLS * self.times.fall_s))
        if late is not None and not self._moves(late[1] - on[1], late[1], on[1]):
            raise self._still(strong_dbm, on, late)

    def _read_twice(self, wait_s: float) -> Pair | None:
        self.clock.wait_s(wait_s)
        first, second = self.read(READING_S), self.read(READING_S)
        return None if first.number is None or second.number is None else (first.number, second.number)

    def _moves(self, step_v: float, *volts: float) -> bool:
        seen_v = OF_SEEN * self.seen_v
        return abs(step_v) > max(LEAST_V, seen_v, LEAST_SHARE * max(map(abs, volts)))

    def _still(self, strong_dbm: float, on: Pair, late: Pair) -> NotConfirmed | UnexpectedReply:
        """Return whose fault it is that the line stands with the generator off as on.

        The generator's if it moves with the level, or moved in the check and is still read anew each time. SettingLost where it has
        restarted: then there was no signal to stay.
        """
        self.generator.confirm_settings()
        lowest_dbm = self.lowest()
        low = None if lowest_dbm is None else self._read_twice(FALLS * self.times.fall_s)
        follows = low is not None and self._moves(low[1] - on[1], low[1], on[1])
        is_alive = len({*on, *late}) > 1 and self.seen_v > CLEAR_V
        if low is not None and (follows or is_alive):
            level = f"it goes to {low[1]:.3g} V" if follows else "it stays there"
            return NotConfirmed(
                f"its output reads off, and the unit's signal meter stays at {late[1]:.3g} V, as with its signal; {level} when the "
                f"level is lowered to {lowest_dbm:g} dBm",
                instrument=self.generator.name,
                address=self.generator.address,
                next_move="Take the cable off the generator; PTT is not pressed before it is silent.",
            )
        lowered = "" if low is None else f", at {lowest_dbm:g} dBm"
        return UnexpectedReply(
            f"meter voltage: it shows the same with no signal and with a strong one: {on[1]:.3g} V at {strong_dbm:g} dBm{lowered} and "
            "with the generator off",
            instrument=self.voltmeter.name,
            address=self.voltmeter.address,
            next_move="Check whether the generator's output comes and goes with what it reads back, the cables between it, the "
            "switch and the unit, the lead on the signal-meter line, and whether the voltmeter's display moves.",
        )
