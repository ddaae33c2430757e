"""The proof that a released unit is silent, and that what was read keyed came from it.

A push-to-talk line that reads open proves nothing of a transmitter that stays on, and an instrument that stands still shows the same
number keyed and released. Both are found by one reading after the release.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from contextlib import suppress

from drivers.clock import Clock
from drivers.faults import InstrumentError, InstrumentFault, SettingLost, UnexpectedReply
from drivers.roles import Instrument, ModulationAnalyser, PowerMeter, RangeState, Supply
from sequencer.safety.proofs.watch import LastReading

SILENT_DBM = (
    0.0  # 1 mW at the antenna connector: what a meter shows of its own noise, or of another unit on the bench
)
FALL_DB = 6.0  # a meter that averages takes a while to come down; one that has come so far is on its way
POLLS_S = (0.0, 0.05, 0.1, 0.2, 0.4, 0.8, 1.5)
NEAR = 1e-3  # of the carrier's frequency: what a counter shows within that is the carrier
POWER, ENVELOPE, CURRENT, FREQUENCY = "power", "peak envelope power", "supply current", "frequency"
IDLE_CURRENT = "supply current, released"
CARRIER_SPECTRUM, BESIDE = "spectrum", "spectrum beside the carrier"
RELEASED_SPECTRUM = "spectrum, released"
CHANGE = {
    # name: (absolute, share): a number that comes no further from the keyed one than the larger of both has not moved
    ENVELOPE: (FALL_DB, 0.0),
    CURRENT: (
        1e-9,
        0.0,
    ),  # a unit of 20 mW draws little more: only what stands still to the last digit has not moved
    FREQUENCY: (50.0, 0.0),
    "selective level": (1.0, 0.0),
    CARRIER_SPECTRUM: (FALL_DB, 0.0),
}
CLEAR_RISE_A = 0.02  # less is no witness of a carrier
OTHER_CHANGE = (1e-9, 0.005)
STILL_TRANSMITTING = (
    "Check whether the unit transmits at all, the cable to it, and whether the instrument's display moves."
)
STILL_RECEIVING = (
    "Check whether the generator's signal reaches the unit (cable, switch, channel), the unit's lead to the instrument, and whether the "
    "instrument's display moves."
)
NOT_ASKED = (
    POWER,
    IDLE_CURRENT,
    "supply voltage",
    BESIDE,
    RELEASED_SPECTRUM,
)  # shown by the proof itself; need not change


class Release:
    """The instruments of a bench that can see the unit's carrier.

    Of those that a person reads, ``asked`` is asked for once more; the others are left to the person. ``over_is_power``: over range is a
    power too, and not a meter that tells nothing.
    """

    def __init__(
        self,
        *,
        meter: PowerMeter | None,
        analyser: ModulationAnalyser | None,
        supply: Supply | None,
        clock: Clock,
        loss_db: float,
        carrier_hz: float,
        taken: Mapping[str, LastReading],
        top_dbm: float,
        stands_still: bool,
        asked: Instrument | None = None,
        over_is_power: bool = False,
    ) -> None:
        self._asked = asked
        self._over_is_power = over_is_power
        self._meter = meter if meter is not None and (not meter.manual or meter is asked) else None
        self._analyser = analyser if analyser is not None and not analyser.manual else None
        self._supply = supply if supply is not None and not supply.manual else None
        self._clock = clock
        self._loss_db = loss_db
        self._carrier_hz = carrier_hz
        self._taken = taken
        self._top_dbm = top_dbm
        self._stands_still = stands_still
        self._has_fallen: bool | None = None
        self._lost: SettingLost | None = None
        self._complained: InstrumentError | None = None
        self.was_silent = False
        self.seen = ""

    def is_silent(self) -> bool | None:
        """Say whether the carrier has gone; None where nothing on the bench can tell. ``seen`` says by what it has not."""
        self._has_fallen = self._by_meter()
        if self._has_fallen:
            self.was_silent = True
            return True
        answers = (self._has_fallen, self._by_analyser(), self._by_current())
        return True if True in answers else False if False in answers else None

    def is_seen_falling(self) -> bool:
        """Say whether the power meter shows less than it did, as it does where the unit's supply has just been cut."""
        return self._by_meter() is True

    def confirm_response(self) -> None:
        """Raise UnexpectedReply for an instrument that shows the same number released as it did keyed.

        SettingLost where the power meter showed the unit released once it had its settings again: what it read before counts for nothing.
        """
        self.refuse_if_restarted()
        if self._has_fallen is False and (power := self._taken.get(POWER)) is not None:
            raise still(POWER, power, self.seen)
        for name, taken in self._to_read():
            with taken.instrument.unkeyed():
                reading = taken.again()
            absolute, share = CHANGE.get(name.split(" at ")[0], OTHER_CHANGE)
            if reading.number is None:
                continue
            if abs(reading.number - taken.number) <= max(absolute, share * abs(taken.number)):
                raise still(name, taken, reading.raw or f"{reading.number:g}")

    def refuse_if_restarted(self) -> None:
        """Raise SettingLost where the power meter had lost its settings, InstrumentError where it complained of its readings."""
        if self._lost is not None:
            raise self._lost
        if self._complained is not None:
            raise self._complained

    def _to_read(self) -> list[tuple[str, LastReading]]:
        """Return what is read once more; of an instrument that a person reads the last figure alone."""
        found = [one for one in self._taken.items() if one[0].partition(" at ")[0] not in NOT_ASKED]
        by_hand = [one for one in found if one[1].instrument is self._asked]
        return [one for one in found if not one[1].instrument.manual] + by_hand[-1:]

    def _by_meter(self) -> bool | None:
        if self._meter is None:
            return None
        shows = self._shown(self._meter)
        return self._shown(self._meter) if shows is False and self._has_restarted(self._meter) else shows

    def _has_restarted(self, meter: PowerMeter) -> bool:
        """Say whether the meter has lost what it was set to, so that what it shows means nothing; it is set anew."""
        try:
            meter.confirm_settings()
        except SettingLost as lost:
            self._lost = lost
        except InstrumentError as complained:
            self._complained = complained
        except InstrumentFault:
            return False
        if self._lost is None:
            return False
        with suppress(InstrumentFault):
            meter.set_start_state()
        return True

    def _shown(self, meter: PowerMeter) -> bool | None:
        by_hand = meter.manual
        keyed = self._taken.get(POWER)
        highest_dbm = keyed.number if keyed is not None else -math.inf
        level_dbm = highest_dbm
        for pause_s in POLLS_S[:1] if by_hand else POLLS_S:
            self._clock.wait_s(pause_s)
            try:
                with meter.unkeyed():
                    reading = meter.read_power_dbm()
            except InstrumentFault:
                return None
            if reading.state is RangeState.UNDER_RANGE:
                return True
            if by_hand and keyed is not None and reading.state is RangeState.NO_MEASUREMENT:
                return True  # a person who read a power before says that there is none now
            if reading.state is RangeState.OVER_RANGE and self._over_is_power:
                level_dbm = math.inf
                continue
            if reading.number is None:
                return None
            level_dbm = reading.number + self._loss_db
            if level_dbm > self._top_dbm:  # it shows what cannot be, and is no witness
                return None
            highest_dbm = max(highest_dbm, level_dbm)
            if level_dbm <= SILENT_DBM or level_dbm <= highest_dbm - FALL_DB:
                return True
        shown = "over range" if math.isinf(level_dbm) else f"{level_dbm:.1f} dBm at the antenna connector"
        self.seen = f"the power meter reads {shown}"
        return False

    def _by_analyser(self) -> bool | None:
        """Ask for the carrier: that there is none means something where there was one while keyed, or the meter stands still."""
        if self._analyser is None:
            return None
        try:
            reading = self._analyser.read_frequency_hz()
        except InstrumentFault:
            return None
        if reading.number is None or abs(reading.number - self._carrier_hz) > NEAR * self._carrier_hz:
            return True if FREQUENCY in self._taken or self._stands_still else None
        self.seen = self.seen or f"the modulation analyser counts {reading.number / 1e6:.5f} MHz"
        return False

    def _by_current(self) -> bool | None:
        """Compare the supply's current with that keyed and that before, where both were read."""
        keyed, idle = self._taken.get(CURRENT), self._taken.get(IDLE_CURRENT)
        if self._supply is None or keyed is None or idle is None:
            return None
        try:
            reading = self._supply.read_current_a()
        except InstrumentFault:
            return None
        rise_a = keyed.number - idle.number
        if reading.number is None or rise_a < CLEAR_RISE_A:
            return None
        if reading.number < idle.number + rise_a / 2.0:
            return True
        self.seen = self.seen or f"the supply still delivers {reading.number:.3g} A"
        return False


def still(name: str, taken: LastReading, seen: str, *, receiving: bool = False) -> UnexpectedReply:
    """Return the fault of an instrument that does not respond to the carrier, or, ``receiving``, to the generator's signal."""
    while_ = (
        "with the generator off as with its signal" if receiving else "with PTT released as with PTT pressed"
    )
    return UnexpectedReply(
        f"{name}: it shows the same {while_}, so that it does not respond to the unit",
        instrument=taken.instrument.name,
        address=taken.instrument.address,
        reply=seen,
        next_move=STILL_RECEIVING if receiving else STILL_TRANSMITTING,
    )
