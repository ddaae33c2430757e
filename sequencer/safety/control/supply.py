"""The unit's supply: what the run states, what it is fed with now, and what the terminals read.

What is stated is set before each check if a check has left something else, and the voltage at the terminals is read: a supply that is
set and does not give it is found out before a figure is told under a voltage that the unit never had.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed, Refused, SettingLost
from drivers.roles import Reading, Supply
from sequencer.frozen import dataclass
from sequencer.safety.control.key import Ratings
from sequencer.safety.control.side import present
from sequencer.safety.remembered.cables import Cables

SUPPLY_SETTLE_S = 0.5  # from supply on to a unit that answers: common practice, no source
UNSTATED_PERCENT = 1.0  # of a supply whose accuracy nobody stated: common practice, no source
READ_WITHIN_V = (
    0.05  # what its display rounds away, and its terminals lose under load: common practice, no source
)
RISE_S = 5.0  # until a supply that rises slowly stands, or one is given up: common practice, no source
LOOK_S = 0.1
MOVES = 0.05  # of what is left: a voltage that comes nearer by less from look to look stands
LIVE_V = 1.0  # a reading of nothing, and what capacitors hold a while: common practice, no source
DISCHARGE_S = 3.0  # until they are empty through the unit: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyFacts:
    """With what the unit is fed, V, and whether the terminals were read and give it; if not, it is what was asked for."""

    voltage_v: float
    is_read: bool

    def __str__(self) -> str:
        return f"supply {self.voltage_v:g} V" + ("" if self.is_read else " (stated, not read)")


class SupplyLine:
    """The supply of one unit. Raises `InstrumentFault` as the supply does; NotConfirmed where the terminals read otherwise."""

    def __init__(
        self, find: Callable[[], Supply | None], *, clock: Clock, ratings: Ratings, cables: Cables
    ) -> None:
        self.find = find
        self._clock = clock
        self._ratings = ratings
        self._cables = cables
        self._stated_v: float | None = None
        self._fed_at_s = 0.0
        self._is_read = False
        self._seen_under_load = False
        self._barred = ""
        self.feedings = 0
        """How often the unit was fed that was not before."""
        self.was_read_dead = False
        """Whether the terminals were read, and read nothing, when it was switched off last."""
        self.fed_v: float | None = None
        """With what the unit is fed, V; None where it is not, or nobody can say."""

    @property
    def facts(self) -> SupplyFacts | None:
        """Return what the unit is fed with, or is to be fed with; None where nobody stated it."""
        volts = self.fed_v if self.fed_v is not None else self._stated_v
        return None if volts is None else SupplyFacts(voltage_v=volts, is_read=self._is_read)

    @property
    def feeds_next(self) -> bool:
        """Say whether the next check's side feeds the unit anew, or with another voltage."""
        return self._stated_v is not None and self.fed_v != self._stated_v

    def forget_stated(self) -> None:
        """Take it that nothing was stated: of another unit, or another run. What it is fed with stays known."""
        self._stated_v = None

    def state(self, voltage_v: float) -> None:
        """Feed the unit with ``voltage_v``, now and at the start of each check.

        Raises NotConfirmed where the terminals read a voltage before it: a reading that is there with the output off proves nothing.
        """
        self._refuse_above_rating(voltage_v)
        self._stated_v = voltage_v
        is_first = self.fed_v is None and self._present().reads_voltage
        if is_first:
            self._present().configure_output_enabled(False)
        self._feed(voltage_v, read_off=is_first)

    def hold(self, voltage_v: float) -> None:
        """State ``voltage_v`` for the next check, and those after it: its side feeds the unit with it, with PTT open."""
        self._refuse_above_rating(voltage_v)
        self._stated_v = voltage_v

    def feed(self, voltage_v: float) -> None:
        """Feed the unit with ``voltage_v`` under the bench's current limit. Refused above the supply's `max_voltage`."""
        self._refuse_above_rating(voltage_v)
        self._feed(voltage_v)

    def _feed(self, voltage_v: float, *, read_off: bool = False) -> None:
        supply = self._present()
        self._cables.refuse_if_moved(supply)
        if self._barred:
            raise Refused(
                f"{self._barred}: the unit is not fed any more in this run",
                instrument=supply.name,
                address=supply.address,
                next_move="Look for a stuck push-to-talk (PTT) relay or line, and see the unit silent before it is fed again.",
            )
        self.feedings += self.fed_v is None
        self._forget()
        supply.configure_voltage(voltage_v, self._ratings.max_supply_current_a)
        if read_off:  # with its voltage set: one that answers with its setting reads nothing before
            self._confirm_dead(supply)
        supply.configure_output_enabled(True)
        self.fed_v = voltage_v
        self._fed_at_s = self._clock.now_s()

    def remove(self) -> None:
        """Take the supply from the unit. Raises NotConfirmed where its terminals stay live, whatever its output reads."""
        self._forget()
        supply = self._present()
        supply.configure_output_enabled(False)
        self._confirm_dead(supply)

    def _confirm_dead(self, supply: Supply) -> None:
        """Read nothing at the terminals of a supply that is off, as soon as what is charged is empty. Raises NotConfirmed."""
        until_s = self._clock.now_s() + DISCHARGE_S
        self.was_read_dead = False
        while (volts := self._terminals_v(supply)) is not None and abs(volts) > LIVE_V:
            if self._clock.now_s() > until_s:
                raise NotConfirmed(
                    f"its output reads off and its terminals read {volts:.4g} V; below {LIVE_V:g} V would be right",
                    instrument=supply.name,
                    address=supply.address,
                    next_move="Take the leads off the unit, then look at the supply (some answer with what they were set to), and at what "
                    "else may feed the unit.",
                )
            self._clock.wait_s(DISCHARGE_S / 10.0)
        self.was_read_dead = volts is not None

    @property
    def is_due_under_load(self) -> bool:
        """Say whether its terminals answer by themselves and were not read yet with this voltage and the unit keyed."""
        return self.fed_v is not None and self._present().reads_voltage and not self._seen_under_load

    def note_under_load(self) -> None:
        """Take note that the terminals were read with the unit keyed."""
        self._seen_under_load = True

    def bar(self, why: str) -> None:
        """Feed the unit no more in this run."""
        self._barred = why

    def note_cut(self) -> None:
        """Take note that somebody else has cut it, or has tried to."""
        self._forget()

    def restore(self) -> None:
        """Feed the unit as the run states it, and read that it is so; nothing to do where nobody stated anything."""
        if self._stated_v is None:
            return
        if self.fed_v == self._stated_v:
            try:  # before it is set back, which forgets what it was set to where it may have restarted
                self._present().confirm_settings()
            except SettingLost:
                self._forget()
        self._present().set_start_state()
        if self.fed_v != self._stated_v:
            self.feed(self._stated_v)
        self._settle()
        self.confirm_voltage(patient=True)

    def give_back(self) -> None:
        """Feed the unit as the run states it after a check that did otherwise. A fault is left to the next `restore`."""
        if self._stated_v is not None and self.fed_v not in (None, self._stated_v):
            with suppress(InstrumentFault):
                self.feed(self._stated_v)

    def confirm(self) -> None:
        """Ask the supply again for what it was set to, and read its terminals. Raises SettingLost, or NotConfirmed."""
        if self.fed_v is not None:
            try:
                self._present().confirm_settings()
            except SettingLost:
                self._forget()
                raise
            self.confirm_voltage()

    def confirm_voltage(self, *, patient: bool = False) -> None:
        """Read the terminals. Raises NotConfirmed where they are further from what was set than the supply may be wrong.

        ``patient`` waits for a voltage that comes nearer: not while the unit is keyed. A supply that a person sets is not asked: what
        was set there is stated, not read.
        """
        supply, volts = self._present(), self.fed_v
        if volts is None or not supply.reads_voltage:
            return
        self._is_read = False
        reading = supply.read_voltage_v()
        if reading.number is None:  # the first reading after a change of range may be none
            reading = supply.read_voltage_v()
        within_v = self.tolerance_v(volts)
        if patient:
            reading = self._stood(supply, reading, volts, within_v)
        if reading.number is None or abs(reading.number - volts) > within_v:
            found = reading.state.value if reading.number is None else f"{reading.number:.4g} V"
            self._forget()  # so that the next check feeds it anew
            raise NotConfirmed(
                f"set to {volts:g} V, its terminals read {found}; {volts - within_v:.4g} to {volts + within_v:.4g} V would be right",
                instrument=supply.name,
                address=supply.address,
                reply=reading.raw,
                next_move="Look at its display, its current limit and the leads to the unit.",
            )
        self._is_read = True

    def _stood(self, supply: Supply, reading: Reading, volts: float, within_v: float) -> Reading:
        """Return a reading within ``within_v`` of ``volts``, or the last one of a voltage that comes no nearer."""
        until_s = self._clock.now_s() + RISE_S
        while (was_v := reading.number) is not None and abs(was_v - volts) > within_v:
            if self._clock.now_s() >= until_s:
                break
            self._clock.wait_s(LOOK_S)
            reading = supply.read_voltage_v()
            if reading.number is None or abs(reading.number - volts) > (1.0 - MOVES) * abs(was_v - volts):
                break
        return reading

    @staticmethod
    def _terminals_v(supply: Supply) -> float | None:
        """Return what the terminals read, V; None where nothing tells: then its output's own word is all there is."""
        if supply.reads_voltage:
            with suppress(InstrumentFault):
                return supply.read_voltage_v().number
        return None

    def tolerance_v(self, voltage_v: float) -> float:
        """Return how far the terminals may read from what was set, V: setting and reading may each be wrong by the accuracy."""
        percent = self._ratings.supply_accuracy_percent or UNSTATED_PERCENT
        return 2.0 * voltage_v * percent / 100.0 + READ_WITHIN_V

    def _settle(self) -> None:
        remaining_s = SUPPLY_SETTLE_S - (self._clock.now_s() - self._fed_at_s)
        if remaining_s > 0.0:
            self._clock.wait_s(remaining_s)

    def _forget(self) -> None:
        self.fed_v, self._is_read, self._seen_under_load = None, False, False

    def _present(self) -> Supply:
        return present(self.find(), "supply")

    def _refuse_above_rating(self, voltage_v: float) -> None:
        if not 0.0 <= voltage_v <= self._ratings.max_supply_voltage_v:
            supply = self._present()
            raise Refused(
                f"{voltage_v:g} V refused; max_voltage is {self._ratings.max_supply_voltage_v:g} V",
                instrument=supply.name,
                address=supply.address,
                next_move="Lower 'supply' in the sequence.",
            )
