"""The safe states of a bench, and the way out of each.

A check is handed a `ReceiveSide`, a `TransmitSide` or a `LossSide`. The receive side holds the generator and no way to key; the
transmit side holds the key and no way to switch the generator on; the loss side holds the generator, while the unit is unkeyed and
without supply. What is promised (design section 6):

1. No check can key into the generator: each time before the key is pressed the generator's output must read off and the switch
   must read `transmit`. A side that was left keys nothing any more.
2. Key-down never outlasts `max_key_time`: before every exchange the longest time it can take, and the longest time a release can take,
   are added to the time already keyed; if the sum would exceed the limit the key is released first, the unit rests for its
   duty, and is keyed again. A key that cannot be released loses its supply at once.
3. No level above the receiver's rating is commanded: the level at the antenna connector is refused before the generator hears of it.
4. Leaving a side, however it is left, releases the key and switches the generator off, both read back.
5. Once a person was asked to move cables, or to undo a connector, no side is entered and the unit is not fed until a person has
   confirmed that they are back.

What reads back consistently wrong (a switch that moves nothing and says it did) cannot be found out by asking.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import replace
from typing import TypeVar

from drivers.clock import Clock
from drivers.faults import InstrumentFault
from drivers.roles import (
    AudioAnalyser,
    Instrument,
    ModulationAnalyser,
    PowerMeter,
    Supply,
    Voltmeter,
)
from sequencer.safety.cables import Cables, Connection, ask_for_connection
from sequencer.safety.cut_off import CutOff
from sequencer.safety.interlock import Interlock, known_mode
from sequencer.safety.key import Key, Ratings
from sequencer.safety.key_memory import KeyMemory
from sequencer.safety.loss import HandPath, LossSide
from sequencer.safety.make_safe import WayOut
from sequencer.safety.plausible import MARGIN_DB, Span, UnitFacts, transmit_spans
from sequencer.safety.receive import ReceiveSide
from sequencer.safety.release import Release
from sequencer.safety.side import present
from sequencer.safety.start_state import StartState
from sequencer.safety.state import SafeState
from sequencer.safety.supply import SUPPLY_SETTLE_S, SupplyFacts, SupplyLine
from sequencer.safety.transmit import TransmitSide
from sequencer.safety.way_out import PATIENCE_S

_T = TypeVar("_T")


class SafeBench:
    """The instruments of an open bench behind the two sides; nothing else may switch RF on or key the unit.

    ``roles`` are those the bench file fills: an instrument that it names and that is not among ``instruments`` could not
    be opened, so that its state is unknown. ``send_off_unanswered`` sends the "off" of a role without proof of the link and without an
    answer: of an instrument that cannot be heard any more it may still be obeyed. It raises nothing and confirms nothing.
    ``open_missing`` tries to open what of a role is not open; it raises nothing.
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
    ) -> None:
        self._instruments = instruments
        self._clock = clock
        self._ratings = ratings
        self._receive_loss_db = receive_loss_db
        self._transmit_loss_db = transmit_loss_db
        self._bounds_s = bounds_s
        self._release_max_s = release_max_s
        self._on_side = False
        self.key_memory = key_memory or KeyMemory()
        self.cables = cables or Cables()
        self._interlock = Interlock(instruments, roles=roles, cables=self.cables, key_memory=self.key_memory)
        self._supply = SupplyLine(
            lambda: self._find(Supply), clock=clock, ratings=ratings, cables=self.cables
        )
        self._start = StartState(instruments, self._supply)
        self._cut_off = CutOff(
            lambda: self._find(Supply),
            self._supply,
            send_off_unanswered=send_off_unanswered,
            open_missing=open_missing,
        )
        self._way_out = WayOut(
            self._interlock,
            self._cut_off,
            self._supply,
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

    def set_supply(self, voltage_v: float) -> None:
        """Feed the unit with ``voltage_v`` now, and at the start of each check. Refused above the supply's `max_voltage`."""
        self._supply.state(voltage_v)
        self._cut_off.is_cut = False

    def remove_supply(self) -> None:
        """Take the supply from the unit."""
        self._supply.remove()

    def cut_off(self) -> None:
        """Stop a unit whose key could not be released: say so once more unheard, and cut its supply.

        ``supply_cut`` says whether the supply reads off. Nothing is raised.
        """
        self._cut_off.cut()

    def confirm_transmit(self) -> None:
        """Raise NotConfirmed unless every generator's output reads off and the switch reads `transmit`; moves nothing."""
        self._interlock.confirm_transmit()

    def make_safe(self, *, last: bool = False, patience_s: float = PATIENCE_S) -> SafeState:
        """Unkey the unit and switch generators off, each confirmed, and the audio source; cuts the supply if the key stays down.

        ``last`` is for the way out: the supply goes off too, confirmed. What fails is tried again for ``patience_s``; a person is
        asked twice at most.
        """
        by_hand = any(instrument.manual for instrument in self._instruments.values())
        off, problems = self._way_out.take(last=last, patience_s=0.0 if by_hand else patience_s)
        with suppress(Exception):
            self._interlock.audio_off()
        if self._cut_off.stays_on and not self.supply_cut:
            problems = (self._cut_off.stays_on, *problems)
        return SafeState(off=off, problems=problems, cables_moved=self.cables.moved)

    @contextmanager
    def receive_side(
        self, *, channel: int | None, mode: str, frequency_hz: float, roles: frozenset[str] | None = None
    ) -> Iterator[ReceiveSide]:
        """Hand over the receive side: unit unkeyed and confirmed, path on the generator, then the generator.

        Everything on it is set to where every check starts, and asked again when it is left in good order: SettingLost, NotConfirmed.
        ``roles`` are those that are read by; None stands for all.
        """
        generator = self._interlock.generator()
        with self._one_side():
            try:
                self._interlock.unkey()
                self._interlock.generators_off()
                self.cables.refuse_if_moved(generator)
                self._supply.restore()
                self._interlock.route("receive")
                self._interlock.select(channel, mode)
                self._start.set_receive(roles)
                side = ReceiveSide(
                    generator=generator,
                    interferer=self._interlock.second_generator(),
                    audio=self._find(AudioAnalyser),
                    voltmeter=self._find(Voltmeter),
                    clock=self._clock,
                    ratings=self._ratings,
                    loss_db=self._receive_loss_db(frequency_hz),
                    frequency_hz=frequency_hz,
                    mode=mode,
                    supply_v=self._supply.fed_v,
                )
                try:
                    yield side
                    self._start.confirm_receive(roles)
                    side.confirm_response()
                    self._interlock.see_silent(side.confirm_silent)
                finally:
                    side.leave()
            finally:
                self._interlock.generators_off()

    @contextmanager
    def transmit_side(
        self,
        *,
        channel: int | None,
        mode: str,
        frequency_hz: float,
        unit: UnitFacts | None = None,
        roles: frozenset[str] | None = None,
    ) -> Iterator[TransmitSide]:
        """Hand over the transmit side: generator off and confirmed, path on the load and confirmed; keyed when read.

        Everything on it is set to where every check starts, and asked again when it is left in good order: SettingLost, NotConfirmed.
        ``unit`` is what is known of the unit, for telling what a reading can be; ``roles`` are those that are read by, None for all.
        """
        key = self._key()
        presses, is_proved = key.presses, False
        facts = unit or UnitFacts(carrier_hz=frequency_hz)
        with self._one_side():
            try:
                self._interlock.unkey()
                self._interlock.generators_off()
                self.cables.refuse_if_moved(self._interlock.radio())
                self._supply.restore()
                self._interlock.route("transmit")
                self._interlock.select(channel, mode)
                self._start.set_transmit(known_mode(mode), roles)
                meter, analyser = self._find(PowerMeter), self._find(ModulationAnalyser)
                if meter is not None:
                    with _unless_needed("power_meter", roles):
                        meter.set_correction_frequency_hz(frequency_hz)
                if analyser is not None:
                    with _unless_needed("modulation_analyser", roles):
                        analyser.tune_hz(frequency_hz)
                side = TransmitSide(
                    key=key,
                    meter=meter,
                    analyser=analyser,
                    audio=self._find(AudioAnalyser),
                    supply=self._find(Supply),
                    supply_line=self._supply,
                    clock=self._clock,
                    loss_db=self._transmit_loss_db,
                    frequency_hz=frequency_hz,
                    select=self._interlock.select_channel,
                    bounds_s=self._bounds_s,
                    spans=_spans(facts, self._ratings, self._transmit_loss_db),
                )
                try:
                    yield side
                    side.confirm_carrier()
                    self._interlock.release_confirmed(key, radio_bound_s=self._bounds_s.get("radio", 2.0))
                    is_proved = True
                    if key.presses > presses:
                        self._prove_release(side).confirm_response()
                    self._start.confirm_transmit(roles)
                finally:
                    side.leave()
                    key.note_carrier(seen=side.carrier_seen)
            finally:
                try:
                    key.release()
                    if key.presses > presses and not is_proved:
                        self._prove_release(side)
                finally:
                    self._interlock.audio_off()
                self._supply.give_back()

    def _prove_release(self, side: TransmitSide) -> Release:
        """See that the carrier has gone before the switch moves. NotConfirmed where it stays: then the supply was cut."""
        loss_db = self._transmit_loss_db(side.frequency_hz)
        release = Release(
            meter=self._find(PowerMeter),
            analyser=self._find(ModulationAnalyser),
            supply=self._find(Supply),
            clock=self._clock,
            loss_db=loss_db,
            carrier_hz=side.frequency_hz,
            taken=side.taken,
            top_dbm=min(self._ratings.path_rating_dbm, self._ratings.max_meter_dbm + loss_db) + MARGIN_DB,
            stands_still=side.stands_still,
        )
        self._cut_off.unless_silent(release, self._interlock.radio())
        return release

    def make_connection_anew(
        self,
        side: TransmitSide,
        text: str,
        *,
        channel: int | None,
        mode: str,
        confirm: Callable[[str], bool],
        made: Callable[[], None],
    ) -> None:
        """Have a person undo and make the unit's connection in the middle of a transmit side; ``text`` says what.

        Meanwhile PTT is released and the carrier seen to be gone, the generators are off, and the unit is without supply: each read back.
        Then it is fed as before and put on its channel again. ``made`` is told once it was confirmed. Raises NotConfirmed where it was
        not: then nothing is fed or keyed until the cables are confirmed back.
        """
        side.confirm_carrier()
        self._interlock.release_confirmed(self._key(), radio_bound_s=self._bounds_s.get("radio", 2.0))
        self._prove_release(side)
        self._interlock.unkey()
        self._interlock.generators_off()
        self._interlock.audio_off()
        fed_v = self._supply.fed_v
        if fed_v is not None:
            self.remove_supply()
        ask_for_connection(text, cables=self.cables, confirm=confirm)
        made()
        if fed_v is not None:
            side.set_supply(fed_v)
            self._clock.wait_s(SUPPLY_SETTLE_S)
        self._interlock.select(channel, mode)

    @contextmanager
    def loss_side(
        self,
        path: HandPath,
        *,
        confirm: Callable[[str], bool],
        connected: Callable[[Connection], None] = lambda connection: None,
    ) -> Iterator[LossSide]:
        """Hand over the loss side: unit unkeyed and confirmed, its supply off and confirmed, the switch on ``path`` if it is one.

        ``confirm`` asks the person who moves the cables; ``connected`` is told what was confirmed. The unit is fed again, as it was,
        once the cables are confirmed back.
        """
        generator = self._interlock.generator()
        meter = present(self._find(PowerMeter), "power_meter")
        with self._one_side():
            fed_v = self._supply.fed_v
            try:
                self._interlock.unkey()
                self._interlock.generators_off()
                if fed_v is not None:
                    self.remove_supply()
                if path != "cable":
                    self._interlock.route(path)
                side = LossSide(
                    generator=generator,
                    meter=meter,
                    clock=self._clock,
                    max_dbm=self._ratings.max_meter_dbm,
                    confirm=confirm,
                    connected=lambda connection: self.cables.note(connection, connected),
                )
                try:
                    yield side
                finally:
                    side.leave()
            finally:
                self._interlock.generators_off()
                if fed_v is not None and not self.cables.moved:
                    self._supply.feed(fed_v)
                    self._clock.wait_s(SUPPLY_SETTLE_S)

    @contextmanager
    def _one_side(self) -> Iterator[None]:
        if self._on_side:
            raise RuntimeError("one side of the bench is in use; leave it before another is taken")
        self._on_side = True
        try:
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
            )
        return self._interlock.key

    def _find(self, role: type[_T]) -> _T | None:
        return self._interlock.find(role)


def _spans(
    facts: UnitFacts, ratings: Ratings, loss_db: Callable[[float], float]
) -> Callable[[float], Mapping[str, Span]]:
    """Return what a reading can be, by carrier frequency; of the values alone, so that no path leads from a side to the bench."""
    return lambda carrier_hz: transmit_spans(
        replace(facts, carrier_hz=carrier_hz),
        path_rating_dbm=ratings.path_rating_dbm,
        meter_top_dbm=ratings.max_meter_dbm + loss_db(carrier_hz),
        supply_limit_a=ratings.max_supply_current_a,
    )


def _unless_needed(role: str, roles: frozenset[str] | None) -> AbstractContextManager[None]:
    """Return what lets the faults of a reader pass that the check does not read by."""
    return nullcontext() if roles is None or role in roles else suppress(InstrumentFault)
