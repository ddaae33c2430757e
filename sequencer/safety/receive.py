"""The receive side: the generator and no key. Levels are at the unit's antenna connector, dBm.

Its signal stands in `sequencer.safety.receiving.receive_signal`, its readings in `receive_readings`; here it proves that they follow each
other.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Any
from weakref import WeakMethod

from drivers.faults import InstrumentFault, Refused, SettingLost, UnexpectedReply
from drivers.roles import AudioAnalyser, Reading, SignalGenerator
from sequencer.safety.proofs.plausible import tone_span
from sequencer.safety.proofs.release import still
from sequencer.safety.receiving.given_signal import Signal
from sequencer.safety.receiving.meter_line import LineProof
from sequencer.safety.receiving.receive_readings import ReceiveReadings
from sequencer.safety.receiving.receive_signal import CLEAR_DBM, PROOF_TONE_HZ
from sequencer.safety.receiving.silence import TONE, Heard, is_tone, set_lowest

SILENCE_V = 1e-3  # below it a loudspeaker is muted: common practice, no source
RESPONSE_S = 0.3  # until receiver and meter have followed: common practice, no source
STRONG_DBM = -40.0
NEAR_SHARE = 0.05  # a tone in noise is counted this near, and hiss elsewhere: workshop's own
PROOF_READING_S = 0.1


class ReceiveSide(ReceiveReadings):
    """Unit unkeyed, path on the generator, generator usable. Levels are at the unit's antenna connector, dBm."""

    __slots__ = ("_heard", "_select", "is_unfollowed", "missed_second")

    _heard: Heard | None
    is_unfollowed: bool
    """Whether the tone that the unit hears has shown that the generator's level does not count."""

    missed_second: SignalGenerator | None
    """The second generator, where the unit hears the first and not that."""

    def __init__(self, *, select: Callable[[int], None], **parts: Any) -> None:
        super().__init__(**parts)
        # Weak, so that no path of attributes leads from a side to the bench and its key.
        self._select = WeakMethod(select)
        self._heard = None
        self.is_unfollowed = False
        self.missed_second = None

    def listen_on(self, channel: int) -> None:
        """Let the unit listen on another channel; signals are set by their distance from this side's own all the same.

        Raises ChannelRefused where the unit itself will not go there.
        """
        self._refuse_if_left()
        if (choose := self._select()) is not None:
            choose(channel)

    def confirm_level_counts(
        self,
        quantity: str,
        read: Callable[[], Reading],
        *,
        is_same: Callable[[float], bool],
        levels_dbm: tuple[float, float],
        settle_s: float,
    ) -> None:
        """Raise UnexpectedReply where the reading stays the same (``is_same``) at the second of two levels as at the first.

        A generator may say that it stands at a level and stand at another: where a check reads at one level only, nothing else
        would tell. Read twice, because an instrument may still answer for the level before.
        """
        if self._generator.manual:
            return
        self.set_level_dbm(levels_dbm[1])
        self._clock.wait_s(settle_s)
        for _ in range(2):
            reading = read()
            if reading.number is None or not is_same(reading.number):
                return
        self.remove_signal()
        self._clock.wait_s(settle_s)
        silent = read()
        if silent.number is not None and is_same(silent.number):
            raise still(
                quantity,
                self._watch.taken[quantity],
                silent.raw,
                receiving=True,
            )
        raise UnexpectedReply(
            f"{quantity}: it reads the same at {levels_dbm[1]:g} dBm as at {levels_dbm[0]:g} dBm, so that it does not follow the "
            "level, which reads back as it was set",
            instrument=self._generator.name,
            address=self._generator.address,
            reply=reading.raw or f"{reading.number:g}",
            next_move="Measure its level with a power meter; look at its attenuator, at the path between it and the unit, and at "
            "whether the audio analyser's display moves.",
        )

    def confirm_was_there(
        self,
        quantity: str,
        read: Callable[[], Reading],
        *,
        was: float,
        is_other: Callable[[float], bool],
        level_dbm: float,
        settle_s: float,
    ) -> None:
        """Raise SettingLost where a reading is another (``is_other``) at the same level, so that its signal was not on when it was read."""
        self.set_level_dbm(level_dbm)
        self._clock.wait_s(settle_s)
        again = read().number
        if again is None or not is_other(again):
            return
        raise SettingLost(
            f"{quantity} at {level_dbm:g} dBm was {was:.3g} and is {again:.3g}: the signal was not there when it was read first, "
            "though it read back as it was set",
            instrument=self._generator.name,
            address=self._generator.address,
            next_move="Look at its output, and at the switch and the relay between it and the unit.",
        )

    def confirm_frequency_counts(
        self,
        quantity: str,
        read: Callable[[], Reading],
        *,
        at_dbm: float,
        carrier_hz: float,
        apart_hz: float,
        fall: float,
        settle_s: float,
    ) -> None:
        """Raise UnexpectedReply where ``quantity`` does not fall by ``fall`` as the signal leaves the channel by ``apart_hz``.

        A generator that reads back a frequency and makes another, and a unit that listens on another channel, look like a deaf unit
        otherwise. No number off the channel is a fall. The signal, ``carrier_hz`` beside the channel in SSB, is left where it was.
        """
        if self._generator.manual:
            return
        try:
            self.shift_carrier(at_dbm, by_hz=carrier_hz)
            self._clock.wait_s(settle_s)
            here = read().number
            for by_hz in (apart_hz, -apart_hz):
                self.shift_carrier(at_dbm, by_hz=carrier_hz + by_hz)
                self._clock.wait_s(settle_s)
                there = read()
                if here is not None and there.number is not None and there.number > here - fall:
                    raise self._does_not_count(
                        f"{quantity} reads {there.number:.3g} at {at_dbm:.1f} dBm with the generator {by_hz / 1e3:+g} kHz from the channel "
                        f"and {here:.3g} on it: what was heard was not its signal on this channel",
                        there,
                        "Count the generator's frequency; check whether the unit is on this channel and mode.",
                    )
        finally:
            self.shift_carrier(at_dbm, by_hz=carrier_hz)

    def confirm_modulation_counts(
        self,
        quantity: str,
        read: Callable[[], Reading],
        modulate: Callable[[float], None],
        *,
        fall: float,
        settle_s: float,
    ) -> None:
        """Raise UnexpectedReply where ``quantity`` does not fall by ``fall`` with half the modulation; ``modulate`` takes the share.

        A generator that reads back a deviation and makes another moves every level that is found with it.
        """
        if self._generator.manual:
            return
        whole = read().number
        modulate(0.5)
        try:
            self._clock.wait_s(settle_s)
            half = read()
        finally:
            modulate(1.0)
        if whole is not None and half.number is not None and half.number > whole - fall:
            raise self._does_not_count(
                f"{quantity} reads {half.number:.3g} with half the modulation and {whole:.3g} with all of it: it does not follow the "
                "modulation, which reads back as it was set",
                half,
                "Measure the generator's deviation or depth with the modulation analyser; a receiver whose own distortion or hum holds the "
                "ratio down near its target does the same, and is then read better with 'sinad' at a stronger signal.",
            )

    def _does_not_count(self, what: str, reading: Reading, next_move: str) -> UnexpectedReply:
        return UnexpectedReply(
            what,
            instrument=self._generator.name,
            address=self._generator.address,
            reply=reading.raw or f"{reading.number:g}",
            next_move=next_move,
        )

    def confirm_response(self) -> None:
        """Raise UnexpectedReply for an instrument that does not respond to the unit, or gives what cannot be of it.

        One that gave one answer throughout gives it with the generator off too; a tone that is known beforehand is none, or is not heard
        where nothing else shows that the unit receives.
        """
        if self._generator.manual:
            return
        self._confirm_tone()
        self._confirm_alike()

    def confirm_silent(self) -> frozenset[str]:
        """Switch each generator off and return the names of those that the unit does not receive any more; none where nothing can tell.

        NotConfirmed where a signal is still there. UnexpectedReply where a generator's level does not count, where the second's signal
        never arrives, or where the voltmeter answers late.
        """
        if self._generator.manual:
            return frozenset()
        first, second = self._generator.name, "" if self._interferer is None else self._interferer.name
        seen = [
            (first, self._confirm_off()),
            (second, self._confirm_interferer_off()),
            (first, self._confirm_line()),
        ]
        return frozenset(name for name, is_off in seen if is_off)

    def hears_it_go(self) -> bool:
        """Say whether the loudspeaker's tone is heard on a strong signal and goes with the generator: where nothing else followed that."""
        audio = self._audio
        if audio is None or audio.manual or self._generator.manual:
            return False
        with suppress(InstrumentFault):
            self._apply_clear(self._allowed_dbm(CLEAR_DBM))
            self._clock.wait_s(RESPONSE_S)
            heard = self._listen(audio, self._signal.tone_hz)
            return heard is not None and heard.confirm_off() is True
        return False

    @property
    def readers(self) -> tuple[str, ...]:
        """The names of the instruments that it reads the unit by."""
        return tuple(one.name for one in (self._audio, self._voltmeter) if one is not None)

    def _confirm_alike(self) -> None:
        standing = self._watch.always_alike()
        if not standing:
            return
        self._generator.configure_output_enabled(False)
        self._clock.wait_s(RESPONSE_S)
        for name in standing:
            taken = [one for one in self._watch.taken.items() if one[1].instrument.name == name]
            if all(one.number < SILENCE_V for quantity, one in taken if quantity == "audio level"):
                taken = [
                    one for one in taken if one[0] != "audio level"
                ]  # a muted receiver stands still, and is told as such
            readings = [(quantity, one, one.again()) for quantity, one in taken if not one.instrument.manual]
            if readings and all(again.number == one.number for _, one, again in readings):
                quantity, one, again = readings[0]
                raise still(quantity, one, again.raw, receiving=True)

    def _confirm_tone(self) -> None:
        """Count the loudspeaker's tone where the audio analyser was read, on the signal there is or on a strong one.

        The one figure that is known beforehand. A receiver that hears nothing hisses, within the band of speech too, or is silent: then
        the signal meter's line may show that it receives, and what the check found is of the unit.
        """
        audio = self._audio
        if audio is None or audio.manual or not self._watch.has_read(audio):
            return
        with suppress(Refused):
            for level_dbm in (None, CLEAR_DBM, STRONG_DBM):
                if level_dbm is not None or not self._signal.is_clear:
                    self._apply_clear(self._allowed_dbm(level_dbm or CLEAR_DBM))
                    self._clock.wait_s(RESPONSE_S)
                self._heard = self._listen(audio, self._signal.tone_hz)
                if self._heard is not None or self._signal.tone_hz is None:
                    return
            given = self._signal
            line = self._line_proof()
            if line is None or not line.follows():
                raise self._not_heard(self._generator, given)

    def _listen(self, audio: AudioAnalyser, tone_hz: float | None) -> Heard | None:
        """Return the tone of the signal that is on, if it is heard."""
        reading = self._watch.read(
            TONE,
            audio,
            lambda: audio.read_audio_frequency_hz(PROOF_READING_S),
            span=tone_span(tone_hz),
            patient=False,
            proves=True,
        )
        if tone_hz is None or reading.number is None:
            return None
        if self._mode in ("FM", "AM"):
            is_heard = is_tone(reading.number, tone_hz, share=NEAR_SHARE)
        else:  # a unit off its frequency makes another tone, which stays where it is all the same
            again = audio.read_audio_frequency_hz(PROOF_READING_S)
            is_heard = again.number is not None and is_tone(again.number, reading.number)
        return (
            self._heard_of(self._generator, self.set_level_dbm, audio, reading.number) if is_heard else None
        )

    def _heard_of(
        self,
        generator: SignalGenerator,
        set_level_dbm: Callable[[float], object],
        audio: AudioAnalyser,
        heard_hz: float,
    ) -> Heard:
        second = self._interferer
        return Heard(
            heard_hz,
            other="" if second is None or second is generator else second.name,
            generator=generator,
            set_level_dbm=set_level_dbm,
            read_hz=audio.read_audio_frequency_hz,
            read_sinad_db=audio.read_sinad_db,
            clock=self._clock,
        )

    def _confirm_off(self) -> bool | None:
        """Prove by the tone that was heard that the generator is off, and that its level counts."""
        if self._heard is None:
            return None
        try:
            is_off = self._heard.confirm(self._signal.level_dbm)
        except UnexpectedReply as fault:
            self.is_unfollowed = not fault.command
            raise
        self._signal = replace(self._signal, is_on=False)
        return is_off

    def _confirm_interferer_off(self) -> bool | None:
        """Prove the same of the second generator, where it was used: alone and on the channel it must be heard, then no more."""
        audio, second = self._audio, self._interferer
        if not self._interferes or self._heard is None or audio is None or second is None or second.manual:
            return None
        with suppress(Refused):
            self._apply_clear_interferer()
            self._clock.wait_s(RESPONSE_S)
            heard = self._listen(audio, self._signal.tone_hz)
            if heard is None:
                self.missed_second = second
                raise self._not_heard(second, replace(self._signal, level_dbm=CLEAR_DBM))
            heard = self._heard_of(second, self.set_interferer_dbm, audio, heard.heard_hz)
            return heard.confirm(CLEAR_DBM)
        return None

    def _not_heard(self, generator: SignalGenerator, signal: Signal) -> UnexpectedReply:
        return UnexpectedReply(
            f"the loudspeaker gives noise and no tone of {signal.tone_hz:.0f} Hz at {signal.level_dbm:g} dBm, so that nothing shows that "
            "its signal reaches the unit",
            instrument=generator.name,
            address=generator.address,
            next_move="Check whether its output is on, the cables from it to the switch and the unit, and whether the unit is on this "
            "channel and mode, its squelch open and its volume up.",
        )

    # -- the signal meter's line --------------------------------------------------------------------------------------

    def _confirm_line(self) -> bool | None:
        """Prove by the line, where it was read, that the generator is off and that the voltmeter answers for the signal there is."""
        if (proof := self._line_proof()) is None or self._line_seen_v is None:
            return None
        proof.confirm()
        return True

    def _line_proof(self) -> LineProof | None:
        meter = self._voltmeter
        if meter is None or meter.manual:
            return None
        low_v, high_v = self._line_seen_v or (0.0, 0.0)
        return LineProof(
            read=self._meter_reading,
            strong=self._apply_strong,
            off=self.remove_signal,
            lowest=self._set_lowest,
            clock=self._clock,
            times=self._line_times,
            generator=self._generator,
            voltmeter=meter,
            seen_v=high_v - low_v,
        )

    def _apply_strong(self) -> float:
        level_dbm = self._allowed_dbm(STRONG_DBM)
        self.apply_carrier(level_dbm, offset_hz=self._beside * PROOF_TONE_HZ)
        return level_dbm

    def _set_lowest(self) -> float | None:
        return set_lowest(self.set_level_dbm)

    def _allowed_dbm(self, level_dbm: float) -> float:
        offered_dbm = self._generator.highest_dbm - self._loss_db
        return min(level_dbm, self._ratings.max_receiver_input_dbm - self.level_off_db, offered_dbm)
