"""The safe states of a bench, and the way out of each.

A check is handed a `ReceiveSide`, a `TransmitSide`, a `LossSide` or a `CheckSide`. The receive side holds the generator and no way to
key; the transmit side holds the key and no way to switch the generator on; the loss side holds the generator, while the unit is unkeyed
and without supply; so does the check side, on which the unit is off the switch as well. What is promised (design section 6):

1. No check can key into the generator: each time before the key is pressed the generator's output must read off and the switch
   must read `transmit`. A side that was left keys nothing any more.
2. Key-down never outlasts `max_key_time`: before every exchange the longest time it can take, and the longest time a release can take,
   are added to the time already keyed; if the sum would exceed the limit the key is released first, the unit rests for its
   duty, and is keyed again. A key that cannot be released loses its supply at once.
3. No level above the receiver's rating is commanded: the level at the antenna connector is refused before the generator hears of it.
4. Leaving a side, however it is left, releases the key and switches the generator off, both read back.
5. Once a person was asked to move cables, or to undo a connector, no side is entered and the unit is not fed until a person has
   confirmed that they are back.

What reads back consistently wrong (a switch that moves nothing and says it did) cannot be found out by asking. After each move of the
switch the first key-down is short, and only long enough for the power meter to see the carrier; where it sees none PTT is released at
once. A unit that then still hears the generator is keyed no more (`switch_proof`); nor is any other after a second time. Not seen so:
an emission without a carrier (SSB), a meter that a person reads, and a stuck contact that leaves the meter as much of the power as a
transmitter gives it (1 mW at the antenna connector).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from weakref import ref

from drivers.faults import InstrumentFault, NotConfirmed, NotSettled, SettingLost, UnexpectedReply
from drivers.roles import (
    AudioAnalyser,
    Instrument,
    ModulationAnalyser,
    PowerMeter,
    SignalGenerator,
    SpectrumAnalyser,
    Supply,
    Switch,
    Voltmeter,
)
from sequencer.safety.check_side import SelfCheckingBench
from sequencer.safety.control.interlock import known_mode
from sequencer.safety.control.side import present
from sequencer.safety.control.supply import SUPPLY_SETTLE_S
from sequencer.safety.loss import HandPath, LossSide
from sequencer.safety.proofs.plausible import UnitFacts
from sequencer.safety.receive import ReceiveSide
from sequencer.safety.remembered.cables import Connection, ask_for_connection
from sequencer.safety.switch_proof import hears_generator
from sequencer.safety.transmit import TransmitSide
from sequencer.safety.transmitting.readers import spans_of, unless_needed
from sequencer.safety.transmitting.transmit_readings import ShownBefore

READS_RECEIVE: Mapping[str, type[Instrument]] = {"audio_analyser": AudioAnalyser, "voltmeter": Voltmeter}
READS_TRANSMIT: Mapping[str, type[Instrument]] = {
    "power_meter": PowerMeter,
    "modulation_analyser": ModulationAnalyser,
    "spectrum_analyser": SpectrumAnalyser,
    "supply": Supply,
}
"""What a check reads by on a side."""
WITH_CARRIER = frozenset({"FM", "AM", "CW"})
"""Modes in which pressing PTT alone gives a carrier."""


UNEXPLAINED = (UnexpectedReply, NotSettled)
"""Readings that prove nothing, or disagree: an instrument that has restarted gives such."""
SET_BACK_ANSWERS = 5.0
"""How many answers setting an instrument back waits for, at most: one or two questions, the error queue, and as many settings."""


def _raise_if_lost(confirm: Callable[[frozenset[str] | None], None], roles: frozenset[str] | None) -> None:
    """Raise SettingLost where an instrument reads otherwise than it was set; any other fault tells less than the one under way."""
    try:
        confirm(roles)
    except SettingLost:
        raise
    except InstrumentFault:
        pass


class SafeBench(SelfCheckingBench):
    """An open bench that hands its instruments to a check by sides; nothing else may switch RF on or key the unit."""

    @contextmanager
    def receive_side(
        self, *, channel: int | None, mode: str, frequency_hz: float, roles: frozenset[str] | None = None
    ) -> Iterator[ReceiveSide]:
        """Hand over the receive side: unit unkeyed and confirmed, path on the generator, then the generator.

        Everything on it is set to where every check starts, and asked again when it is left in good order: SettingLost, NotConfirmed.
        ``roles`` are those that are read by; None stands for all.
        """
        generator = self._interlock.generator()
        self._interlock.refuse_unfollowed()
        with self._one_side():
            try:
                self._interlock.unkey()
                self._interlock.generators_off()
                self.cables.refuse_if_moved(generator)
                on_load = self._stand_on_load()
                self._supply.restore()
                if on_load:
                    self._make_meter_ready(frequency_hz)
                self._interlock.route("receive")
                self._gather_steps(roles, READS_RECEIVE)
                self._interlock.select(channel, mode)
                self._start.set_receive(roles)
                side = self._make_receive_side(generator, mode=mode, frequency_hz=frequency_hz)
                try:
                    with self._missed(side, generator):
                        with self._explained_by_loss(roles):
                            yield side
                        self._start.confirm_receive(roles)
                        side.confirm_response()
                        self._interlock.see_silent(side.confirm_silent)
                finally:
                    side.leave()
            finally:
                self._forget_steps()
                self._interlock.generators_off()

    @contextmanager
    def _missed(self, side: ReceiveSide, generator: SignalGenerator) -> Iterator[None]:
        """Have the last line of the run name a generator that the unit followed before, where nothing follows it now, off or on."""
        try:
            yield
        except UnexpectedReply as fault:
            if side.is_unfollowed:
                self._interlock.unfollowed = fault
            shows_nothing = not fault.command and fault.instrument in (generator.name, *side.readers)
            was_heard = side.was_heard or generator.name in self._interlock.followed
            if shows_nothing and was_heard and not side.hears_it_go():
                self._interlock.note_unshown(generator, fault.what)
            if (second := side.missed_second) is not None and second.name in self._interlock.followed:
                self._interlock.note_unshown(second, fault.what)
            raise
        finally:
            if side.was_heard:
                self._interlock.followed.add(generator.name)

    @contextmanager
    def _explained_by_loss(self, roles: frozenset[str] | None) -> Iterator[None]:
        """Let a reading that proves nothing pass as SettingLost where an instrument has restarted: the check is then done anew."""
        try:
            yield
        except UNEXPLAINED:
            _raise_if_lost(self._start.confirm_receive, roles)
            raise

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
        presses, is_proved, is_unexplained = key.presses, False, False
        facts = unit or UnitFacts(carrier_hz=frequency_hz)
        with self._one_side(), self._told_from_meter():
            try:
                self._interlock.unkey()
                self._interlock.generators_off()
                self.cables.refuse_if_moved(self._interlock.radio())
                self._supply.restore()
                self._interlock.route("transmit")
                self._gather_steps(roles, READS_TRANSMIT)
                self._interlock.select(channel, mode)
                self._start.set_transmit(known_mode(mode), roles)
                meter, analyser = self._tuned_readers(roles, frequency_hz)
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
                    remove_supply=self.remove_supply,
                    bounds_s=self._bounds_s,
                    spans=spans_of(facts, self._ratings, self._transmit_loss_db),
                    has_carrier=mode in WITH_CARRIER,
                    carriers=self._carriers,
                    spacing_hz=facts.spacing_hz,
                    note_unseen=self._listening(mode, frequency_hz),
                    spectrum=self._find(SpectrumAnalyser),
                )
                try:
                    yield side
                    key.confirm_watched()
                    side.share_key(further=False)
                    side.confirm_carrier()
                    side.confirm_supply()
                    self._interlock.release_confirmed(key, radio_bound_s=self._bounds_s.get("radio", 2.0))
                    is_proved = True
                    if key.presses > presses:
                        self._confirm_response(side, key, frequency_hz)
                    self._start.confirm_transmit(roles)
                finally:
                    side.leave()
                    key.note_carrier(seen=side.carrier_seen)
            except UNEXPLAINED:
                is_unexplained = True
                raise
            finally:
                try:
                    key.release()
                    if key.presses > presses and not is_proved:
                        release = self._prove_release(side)
                        if is_unexplained:
                            release.refuse_if_restarted()
                            _raise_if_lost(self._start.confirm_transmit, roles)
                finally:
                    self._interlock.audio_off()
                    self._forget_steps()
                self._supply.give_back()

    @contextmanager
    def _told_from_meter(self) -> Iterator[None]:
        """Tell a unit that transmits by itself, which is cut off, from a power meter that does not respond."""
        try:
            yield
        except ShownBefore as shown:
            raise self._silent.tell_from_meter(shown) from None

    def _tuned_readers(
        self, roles: frozenset[str] | None, frequency_hz: float
    ) -> tuple[PowerMeter | None, ModulationAnalyser | None]:
        """Return what the unit is read by, tuned to its channel; what is not needed may fail."""
        meter, analyser = self._find(PowerMeter), self._find(ModulationAnalyser)
        if meter is not None:
            with unless_needed("power_meter", roles):
                meter.set_correction_frequency_hz(frequency_hz)
        if analyser is not None and (not analyser.manual or roles is None or "modulation_analyser" in roles):
            with unless_needed("modulation_analyser", roles):
                analyser.tune_hz(frequency_hz)
        return meter, analyser

    def _listening(self, mode: str, frequency_hz: float) -> Callable[[], None]:
        """Return what listens for the generator where the power meter saw nothing; no path leads through it from a side to the bench."""
        own = ref(self)

        def listen() -> None:
            if (bench := own()) is not None:
                bench._confirm_switch_moved(mode, frequency_hz)

        return listen

    def _confirm_switch_moved(self, mode: str, frequency_hz: float) -> None:
        """Raise NotConfirmed, and key nothing any more, where the released unit still hears the generator with the switch on `transmit`."""
        generator, audio = self._find(SignalGenerator), self._find(AudioAnalyser)
        if generator is None or generator.manual or audio is None or audio.manual:
            return
        self._interlock.unkey()
        side = self._make_receive_side(generator, mode=mode, frequency_hz=frequency_hz)
        try:
            if not hears_generator(side, self._clock, mode):
                return
        finally:
            side.leave()
            self._interlock.generators_off()
        what = (
            "it reads transmit, and the unit still hears the generator: its contact stuck; PTT was pressed for a moment and is not "
            "pressed any more"
        )
        next_move = "Switch the supply off, then see that the path switch moves; look at its own supply, and its profile."
        self._key().bar(what, next_move)
        switch = present(self._find(Switch), "switch")
        raise NotConfirmed(what, instrument=switch.name, address=switch.address, next_move=next_move)

    def _make_receive_side(
        self, generator: SignalGenerator, *, mode: str, frequency_hz: float
    ) -> ReceiveSide:
        return ReceiveSide(
            select=self._interlock.select_channel,
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

    def begin_next(
        self,
        side: TransmitSide,
        *,
        mode: str,
        before: frozenset[str] | None,
        after: frozenset[str] | None,
    ) -> None:
        """Set a transmit side back to where every check starts, for the next of several that share a key-down; the key may stay down.

        What the check ``before`` read by must stand as it was set, and is read back once it was set for that ``after``. Released first
        where `max_key_time` has no room for it. What else proves a check is proved once for all of them when the side is left.
        """
        self._start.set_next(
            known_mode(mode),
            before=before,
            after=after,
            make_room=lambda role: side.make_room(SET_BACK_ANSWERS * self._bounds_s.get(role, 2.0)),
        )

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
        self._note_supply_was_off()  # also where a person switched the unit itself off
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
                    see_silent=self._interlock.see_silent,
                )
                try:
                    yield side
                    side.remove_signal()
                except InstrumentFault as fault:
                    side.remove_signal_after(fault)  # where it is still on, leaving says so with it
                    raise
                finally:
                    side.leave()
            finally:
                self._interlock.generators_off()
                if fed_v is not None and not self.cables.moved:
                    self._supply.feed(fed_v)
                    self._clock.wait_s(SUPPLY_SETTLE_S)
