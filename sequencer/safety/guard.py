"""The instruments of an open bench with what guards them: interlock, key, supply, and the way out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from typing import Any, TypeVar

from drivers.clock import Clock
from drivers.faults import InstrumentFault, Refused
from drivers.roles import (
    AudioAnalyser,
    Chamber,
    Instrument,
    ModulationAnalyser,
    PowerMeter,
    Radio,
    Supply,
    Switch,
)
from sequencer.safety.control.chamber import ChamberFacts, ChamberLine, ChamberRules
from sequencer.safety.control.interlock import Interlock
from sequencer.safety.control.key import Key, Ratings
from sequencer.safety.control.start_state import StartState
from sequencer.safety.control.supply import SupplyFacts, SupplyLine
from sequencer.safety.ending.cut_off import CutOff
from sequencer.safety.ending.loudspeaker import Loudspeaker
from sequencer.safety.ending.make_safe import PTT_FAILED, PTT_RELEASED, SUPPLY_OFF, SWITCHED_BY, WayOut
from sequencer.safety.ending.seen_silent import SeenSilent
from sequencer.safety.ending.way_out import PATIENCE_S
from sequencer.safety.proofs.plausible import MARGIN_DB
from sequencer.safety.proofs.release import Release
from sequencer.safety.proofs.standstill import Standstill
from sequencer.safety.remembered.announced import Announce, Announced, to_nobody
from sequencer.safety.remembered.cables import Cables
from sequencer.safety.remembered.key_memory import KeyMemory
from sequencer.safety.state import SafeState
from sequencer.safety.transmit import TransmitSide
from sequencer.safety.transmitting.carriers import Carriers, HeldCarrier
from sequencer.safety.watchdog import KeyWatch

_T = TypeVar("_T")


class GuardedBench:
    """The instruments of an open bench, and what guards them; no more than one side is held at a time.

    ``roles`` are those the bench file fills: an instrument that it names and that is not among ``instruments`` could not
    be opened, so that its state is unknown. ``send_off_unanswered`` sends the "off" of a role without proof of the link and without an
    answer: of an instrument that cannot be heard any more it may still be obeyed. It raises nothing and confirms nothing.
    ``open_missing`` tries to open what of a role is not open; it raises nothing. ``announce`` is told before PTT is
    pressed, and before a setting of the unit is written.
    """

    def __init__(
        self,
        instruments: Mapping[str, Instrument],
        *,
        roles: frozenset[str],
        clock: Clock,
        ratings: Ratings,
        receive_loss_db: Callable[[float], float],
        transmit_loss_db: Callable[[float], float],
        bounds_s: dict[str, float],
        release_max_s: float,
        key_memory: KeyMemory | None = None,
        send_off_unanswered: Callable[[str], None] = lambda role: None,
        open_missing: Callable[[str], object] = lambda role: None,
        cables: Cables | None = None,
        announce: Announce = to_nobody,
        watchdog: KeyWatch | None = None,
        standstill: Standstill | None = None,
        confirm_alone: Callable[[Instrument], object] = lambda asking: None,
        chamber: ChamberRules | None = None,
    ) -> None:
        self._instruments = instruments
        self._clock = clock
        self._ratings = ratings
        self._receive_loss_db = receive_loss_db
        self._transmit_loss_db = transmit_loss_db
        self._bounds_s = bounds_s
        self._release_max_s = release_max_s
        self._on_side = False
        self._announce = announce
        self._stood: dict[str, int] = {}  # settings that the unit stores, as they were read first
        self._watchdog = watchdog
        self._standstill = standstill
        self.key_memory = key_memory or KeyMemory()
        self.cables = cables or Cables()
        self._carriers = self._no_carriers()
        self._interlock = Interlock(
            instruments,
            roles=roles,
            cables=self.cables,
            key_memory=self.key_memory,
            confirm_alone=confirm_alone,
            see_no_carrier=self._before_move,
        )
        self._supply = SupplyLine(
            lambda: self._find(Supply), clock=clock, ratings=ratings, cables=self.cables
        )
        self._chamber = ChamberLine(lambda: self._find(Chamber), clock=clock, rules=chamber)
        self._start = StartState(instruments, self._supply)
        self._cut_off = CutOff(
            lambda: self._find(Supply),
            self._supply,
            send_off_unanswered=send_off_unanswered,
            open_missing=open_missing,
        )
        self._silent = SeenSilent(
            self._cut_off,
            self._supply,
            meter=lambda: self._find(PowerMeter),
            radio=lambda: self._find(Radio),
            clock=clock,
            key=lambda: self._interlock.key,
            release=lambda meter: self._release(0.0, meter=meter, over_is_power=True),
        )
        self._way_out = WayOut(
            self._interlock,
            self._cut_off,
            self._supply,
            self._chamber,
            Loudspeaker(lambda: self._find(AudioAnalyser), clock),
            roles=roles,
            clock=clock,
            send_off_unanswered=send_off_unanswered,
            open_missing=open_missing,
        )

    @property
    def supply_facts(self) -> SupplyFacts | None:
        """Return with what the unit is fed, or is to be fed; None where nobody stated it."""
        return self._supply.facts

    @property
    def supply_cut(self) -> bool:
        """Say whether the unit's supply was cut because its key could not be released, and reads off."""
        return self._cut_off.is_cut

    @property
    def keys_no_more(self) -> bool:
        """Say whether something was seen for which PTT is not pressed any more in this run."""
        key = self._interlock.key
        return key is not None and key.is_barred

    def set_supply(self, voltage_v: float) -> None:
        """Feed the unit with ``voltage_v`` now, on the load, and at the start of each check. Refused above the supply's `max_voltage`."""
        self._stand_on_load()
        self._supply.state(voltage_v)
        self._cut_off.is_cut = False

    def hold_supply(self, voltage_v: float) -> None:
        """Have the unit fed with ``voltage_v`` from the start of the next check on. Refused above the supply's `max_voltage`."""
        self._supply.hold(voltage_v)

    @property
    def chamber_facts(self) -> ChamberFacts | None:
        """Return at which temperature the unit stands; None where the chamber was brought to none."""
        return self._chamber.facts

    def chamber_doubt(self, carried_c: Iterable[float]) -> str:
        """Return why what was measured at a temperature is in doubt, also where a part of the run before did: see `ChamberLine.doubt`."""
        return self._chamber.doubt(carried_c)

    def bring_to_temperature(
        self, temperature_c: float, *, check: Callable[[], None], say: Callable[[str], None]
    ) -> None:
        """Bring the unit to ``temperature_c`` in the chamber, unless it stands there, with PTT released, generators off and no supply.

        See `ChamberLine.bring_to`. The next side feeds the unit again.
        """
        with self._one_side():
            if self._chamber.stands_at(temperature_c):
                return
            self._interlock.unkey()
            self._interlock.generators_off()
            if self._find(Supply) is not None:
                self.remove_supply()
            self._chamber.bring_to(temperature_c, check=check, say=say)

    def confirm_temperature(self, temperature_c: float) -> None:
        """Raise NotConfirmed unless the chamber still reads ``temperature_c``."""
        self._chamber.confirm(temperature_c)

    def change_unit(self, serial: str) -> None:
        """Take it that unit ``serial`` lies on the bench from now on, which was made safe for it: nothing of the one before is its own.

        The key's rest is the unit's; the way to the meters is proved anew. To be called with nothing fed, keyed or sent.
        """
        self._supply.forget_stated()
        self._chamber.forget()
        self._stood.clear()
        if serial != self.key_memory.serial:
            self._interlock.key = None
        self.key_memory.change_unit(serial)
        self._interlock.followed.clear()  # what another unit heard says nothing of this one
        self._carriers = self._no_carriers()
        self._interlock.unfollowed = None

    def recall_held(self, held: HeldCarrier) -> None:
        """Take over what the part of the run before it was cut short had held against the power meter."""
        self._carriers.recall(held)

    def _no_carriers(self) -> Carriers:
        cables = self.cables
        return Carriers(moves=lambda: cables.moves, announce=self._announce)

    def write_preset(self, name: str, value: int) -> None:
        """Store a setting of the unit, PTT released, confirmed by read-back. Refused while PTT is pressed."""
        if (key := self._interlock.key) is not None and key.is_down:
            raise Refused(
                f"{name} was not written, because PTT is pressed",
                instrument="radio",
                address="PTT",
                next_move="Release PTT first: a check rests its side before it writes.",
            )
        before = self._stood[name] if name in self._stood else self.read_preset(name)
        facts: dict[str, str | float] = {"setting": name, "before": before, "value": value}
        self._announce(Announced(what="setting to be written", begins=True, facts=facts))
        self._interlock.radio().set_preset(name, value)
        self._announce(Announced(what="setting written", begins=False, facts=facts))

    def read_preset(self, name: str) -> int:
        """Return a setting that the unit stores."""
        number = self._interlock.radio().read_preset(name)
        self._stood.setdefault(name, number)
        return number

    def remove_supply(self) -> None:
        """Take the supply from the unit."""
        self._supply.remove()
        self._note_supply_was_off()

    def _note_supply_was_off(self) -> None:
        if (radio := self._find(Radio)) is not None:
            radio.note_supply_was_off()

    def cut_off(self) -> None:
        """Stop a unit whose key could not be released: say so once more without waiting for an answer, and cut its supply.

        ``supply_cut`` says whether the supply reads off. Nothing is raised.
        """
        self._cut_off.cut()
        self._note_supply_was_off()

    def confirm_transmit(self) -> None:
        """Raise NotConfirmed unless every generator's output reads off and the switch reads `transmit`; moves nothing."""
        self._interlock.confirm_transmit()

    def make_safe(
        self, *, last: bool = False, patience_s: float = PATIENCE_S, listen: bool = False
    ) -> SafeState:
        """Unkey the unit and switch generators off, each confirmed, and the audio source; cuts the supply if the key stays down.

        ``last`` is for the way out: the supply goes off too, confirmed; with ``listen`` by the unit's loudspeaker, too. What fails is
        tried again for ``patience_s``; a person is asked twice at most.
        """
        by_hand = any(instrument.manual for instrument in self._instruments.values())
        off, problems = self._way_out.take(
            last=last, patience_s=0.0 if by_hand else patience_s, listen=listen
        )
        if SUPPLY_OFF in off:
            self._note_off_air()
        with suppress(Exception):
            self._interlock.audio_off()
        if self._cut_off.stays_on and (last or not self.supply_cut):
            problems = (self._cut_off.told(PTT_FAILED), *problems)
            off = tuple(one for one in off if one != PTT_RELEASED)
        said = tuple(one for one in off if self._is_by_hand(SWITCHED_BY[one]))
        read = tuple(one for one in off if one not in said)
        return SafeState(
            off=read,
            said=said,
            problems=problems,
            cables_moved=self.cables.moved,
            chamber=self._chamber.left if last else "",
            feels=self._chamber.feels if last else "",
        )

    def _note_off_air(self) -> None:
        """Remember of a unit whose PTT cannot be read released that its supply reads off, and until when it may have transmitted."""
        if (key := self._interlock.key) is not None and not self._is_by_hand(Supply):
            key.note_off_air()

    def _is_by_hand(self, role: type[Instrument]) -> bool:
        """Say whether a person stands for an instrument of that role: nothing was read back of it."""
        return any(one.manual for one in self._instruments.values() if isinstance(one, role))

    def _confirm_response(self, side: TransmitSide, key: Key, carrier_hz: float) -> None:
        """See that the carrier has gone, and that what was read of it does not stand still: NotConfirmed, UnexpectedReply.

        A person is asked for one reading at most, and for none of a dial that was shown since the switch moved, on this channel or with
        another figure than it has now: what has fallen and moved since does not stand still.
        """
        shows = {
            taken.instrument.name: taken.number for taken in side.taken.values() if taken.instrument.manual
        }
        read = (self._find(PowerMeter), self._find(ModulationAnalyser))
        asked = next(
            (
                one
                for one in read
                if one is not None
                and one.name in shows
                and not key.released.covers(one.name, shows[one.name], carrier_hz)
            ),
            None,
        )
        self._prove_release(side, asked).confirm_response()
        key.released.note(shows, carrier_hz, asked=asked.name if asked is not None else "")

    def _prove_release(self, side: TransmitSide, asked: Instrument | None = None) -> Release:
        """See that the carrier has gone before the switch moves. NotConfirmed where it stays: then the supply was cut."""
        release = self._release(
            side.frequency_hz,
            meter=self._find(PowerMeter),
            analyser=self._find(ModulationAnalyser),
            supply=self._find(Supply),
            taken=side.taken,
            stands_still=side.stands_still,
            asked=asked,
        )
        self._silent.confirm(release)
        return release

    def _release(self, carrier_hz: float, *, meter: PowerMeter | None, **more: Any) -> Release:
        """Return the proof that the released unit is silent, by ``meter`` and what ``more`` names."""
        loss_db = self._transmit_loss_db(carrier_hz)
        facts = {"analyser": None, "supply": None, "taken": {}, "stands_still": False} | more
        return Release(
            meter=meter,
            clock=self._clock,
            loss_db=loss_db,
            carrier_hz=carrier_hz,
            top_dbm=min(self._ratings.path_rating_dbm, self._ratings.max_meter_dbm + loss_db) + MARGIN_DB,
            **facts,
        )

    def _before_move(self, switch: Switch) -> None:
        self._silent.before_move(switch)

    def _stand_on_load(self) -> bool:
        """Put the unit on the load where it is fed next, or was not seen silent; say whether it stands there to be looked at."""
        if not self._silent.needs_load(self._find(Switch)):
            return False
        self._interlock.route("transmit")
        return True

    def _make_meter_ready(self, frequency_hz: float) -> None:
        """Set the power meter back to where every check starts: one that fails sees nothing, and is not what the check needs."""
        with suppress(InstrumentFault):
            if (meter := self._find(PowerMeter)) is not None:
                meter.set_start_state()
                meter.set_correction_frequency_hz(frequency_hz)

    def _gather_steps(self, roles: frozenset[str] | None, readers: Mapping[str, type[Instrument]]) -> None:
        """Let a person's steps wait for the next reading where every reader among ``roles`` is a person's too."""
        found = [self._find(kind) for role, kind in readers.items() if roles is not None and role in roles]
        allowed = bool(found) and all(one is not None and one.manual for one in found)
        for instrument in self._instruments.values():
            instrument.gather_steps(allowed)

    def _forget_steps(self) -> None:
        """Forget the steps that no reading has asked for: what they set is asked for anew where it is needed."""
        for instrument in self._instruments.values():
            instrument.forget_steps()

    @contextmanager
    def _one_side(self) -> Iterator[None]:
        if self._on_side:
            raise RuntimeError("one side of the bench is in use; leave it before another is taken")
        self._on_side = True
        try:
            with self._standstill.discarding() if self._standstill is not None else nullcontext():
                yield
        finally:
            self._on_side = False

    def _key(self) -> Key:
        radio = self._interlock.radio()
        if self._interlock.key is None:
            self._interlock.key = Key(
                radio,
                self._clock,
                self._ratings,
                release_max_s=self._release_max_s,
                keeper=self,
                owed_rest_s=self.key_memory.rest_left_s,
                memory=self.key_memory,
                announce=self._announce,
                watch=self._watchdog,
                standstill=self._standstill,
            )
        return self._interlock.key

    def _find(self, role: type[_T]) -> _T | None:
        return self._interlock.find(role)
