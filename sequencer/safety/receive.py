"""The receive side: the generator and no key. Levels are at the unit's antenna connector, dBm."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from drivers.clock import Clock
from drivers.faults import Refused, UnexpectedReply
from drivers.roles import AudioAnalyser, Reading, Samples, SignalGenerator, Voltmeter, Weighting
from sequencer.safety.given_signal import Signal
from sequencer.safety.key import Ratings
from sequencer.safety.plausible import (
    AUDIO_FREQUENCY,
    AUDIO_LEVEL,
    DISTORTION,
    SINAD,
    Span,
    meter_span,
    tone_span,
)
from sequencer.safety.release import still
from sequencer.safety.side import Side, present
from sequencer.safety.silence import TONE, confirm_tone_gone
from sequencer.safety.watch import Watch

GENERATOR_SETTLE_MAX_S = 2.0
SAME_LEVEL_DB = 0.006  # the last digit that is written, or read back: no generator stands so well
SILENCE_V = 1e-3  # below it a loudspeaker is muted: common practice, no source
RESPONSE_S = 0.3  # until receiver and meter have followed: common practice, no source
METER = "meter voltage"
CLEAR_DBM = -70.0  # far above any threshold, and far below overload: workshop's own
STRONG_DBM = -40.0
PROOF_TONE_HZ, PROOF_DEVIATION_HZ, PROOF_DEPTH_PERCENT = 1000.0, 1200.0, 30.0
PROOF_READING_S = 0.1


class ReceiveSide(Side):
    """Unit unkeyed, path on the generator, generator usable. Levels are at the unit's antenna connector, dBm."""

    __slots__ = (
        "_audio",
        "_generator",
        "_interferer",
        "_line",
        "_loss_db",
        "_mode",
        "_ratings",
        "_signal",
        "_voltmeter",
        "_watch",
    )

    def __init__(
        self,
        *,
        generator: SignalGenerator,
        interferer: SignalGenerator | None,
        audio: AudioAnalyser | None,
        voltmeter: Voltmeter | None,
        clock: Clock,
        ratings: Ratings,
        loss_db: float,
        frequency_hz: float,
        mode: str = "FM",
        supply_v: float | None = None,
    ) -> None:
        super().__init__(clock, frequency_hz)
        self._generator = generator
        self._interferer = interferer
        self._audio = audio
        self._voltmeter = voltmeter
        self._ratings = ratings
        self._loss_db = loss_db
        self._watch = Watch()
        self._mode = mode
        self._line = meter_span(supply_v)
        self._signal = Signal()

    @property
    def level_off_db(self) -> float:
        """How far a generator's level may be from the one asked for because it goes in steps, dB."""
        return max(one.level_off_db for one in (self._generator, self._interferer) if one is not None)

    def apply_carrier(self, level_dbm: float, *, offset_hz: float = 0.0) -> None:
        """Switch an unmodulated carrier on at ``level_dbm``, ``offset_hz`` from the channel. Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        self._generator.disable_all_modulation()
        self._signal = Signal(level_dbm=level_dbm, tone_hz=abs(offset_hz) or None)
        self._generator.configure_rf(self.frequency_hz + offset_hz, level_dbm + self._loss_db)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def apply_am(self, level_dbm: float, *, depth_percent: float, tone_hz: float) -> None:
        """Switch a carrier with AM on at ``level_dbm`` (its unmodulated level). Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        self._signal = Signal(level_dbm=level_dbm, tone_hz=tone_hz)
        self._generator.configure_rf(self.frequency_hz, level_dbm + self._loss_db)
        self._generator.configure_am(depth_percent, tone_hz)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def set_am(self, *, depth_percent: float, tone_hz: float) -> None:
        """Modulate the carrier that is there with AM."""
        self._refuse_if_left()
        self._generator.configure_am(depth_percent, tone_hz)

    def set_fm(self, *, deviation_hz: float, tone_hz: float) -> None:
        """Modulate the carrier that is there with FM."""
        self._refuse_if_left()
        self._generator.configure_fm(deviation_hz, tone_hz)

    def remove_modulation(self) -> None:
        """Leave the carrier that is there unmodulated."""
        self._refuse_if_left()
        self._signal = replace(self._signal, tone_hz=None)
        self._generator.disable_all_modulation()

    def remove_signal(self) -> None:
        """Switch the generator off, confirmed."""
        self._refuse_if_left()
        self._signal = replace(self._signal, is_on=False)
        self._generator.configure_output_enabled(False)

    def restore_signal(self) -> None:
        """Switch the generator on again as it was."""
        self._refuse_if_left()
        self._signal = replace(self._signal, is_on=True)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def apply_interferer(
        self,
        level_dbm: float,
        *,
        offset_hz: float,
        deviation_hz: float = 0.0,
        depth_percent: float = 0.0,
        tone_hz: float = 400.0,
    ) -> None:
        """Switch the second generator on, ``offset_hz`` from the channel, with FM, with AM or (both 0) without.

        Its level is at the antenna connector through the same path. Refused above the receiver's rating.
        """
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        second = present(self._interferer, "interferer")
        second.configure_rf(self.frequency_hz + offset_hz, level_dbm + self._loss_db)
        if deviation_hz > 0:
            second.configure_fm(deviation_hz, tone_hz)
        elif depth_percent > 0:
            second.configure_am(depth_percent, tone_hz)
        else:
            second.disable_all_modulation()
        second.configure_output_enabled(True)
        second.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def set_interferer_dbm(self, level_dbm: float) -> float:
        """Change the second generator's level, and return the level that it made. Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        second = present(self._interferer, "interferer")
        second.set_level_dbm(level_dbm + self._loss_db)
        second.wait_until_settled(GENERATOR_SETTLE_MAX_S)
        return self._made_dbm(second, level_dbm)

    def remove_interferer(self) -> None:
        """Switch the second generator off, confirmed."""
        self._refuse_if_left()
        present(self._interferer, "interferer").configure_output_enabled(False)

    def apply_fm(self, level_dbm: float, *, deviation_hz: float, tone_hz: float) -> None:
        """Switch a carrier with FM on at ``level_dbm``. Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        self._signal = Signal(level_dbm=level_dbm, tone_hz=tone_hz)
        self._generator.configure_rf(self.frequency_hz, level_dbm + self._loss_db)
        self._generator.configure_fm(deviation_hz, tone_hz)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def set_level_dbm(self, level_dbm: float) -> float:
        """Change the level, wait until the generator says it stands, and return what it made of it. Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        self._signal = replace(self._signal, level_dbm=level_dbm)
        self._generator.set_level_dbm(level_dbm + self._loss_db)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)
        return self._made_dbm(self._generator, level_dbm)

    def read_sinad_db(self, reading_s: float) -> Reading:
        """Return SINAD of the loudspeaker audio, dB."""
        self._refuse_if_left()
        return self._audio_reading("SINAD", SINAD, lambda audio: audio.read_sinad_db(reading_s))

    def read_audio_v(self, reading_s: float) -> Reading:
        """Return the loudspeaker level, V rms."""
        self._refuse_if_left()
        return self._audio_reading("audio level", AUDIO_LEVEL, lambda audio: audio.read_level_v(reading_s))

    def configure_audio(self, *, tone_hz: float, weighting: Weighting = "flat") -> None:
        """Say which tone the audio readings look for, and with which weighting."""
        self._refuse_if_left()
        audio = present(self._audio, "audio_analyser")
        audio.set_notch_hz(tone_hz)
        audio.configure_weighting(weighting)

    def read_distortion_percent(self, reading_s: float) -> Reading:
        """Return distortion and noise of the loudspeaker audio, percent of the whole."""
        self._refuse_if_left()
        return self._audio_reading(
            "distortion", DISTORTION, lambda audio: audio.read_distortion_percent(reading_s)
        )

    def read_audio_frequency_hz(self, reading_s: float) -> Reading:
        """Return the frequency of the loudspeaker's tone, Hz."""
        self._refuse_if_left()
        return self._audio_reading(
            "audio frequency", AUDIO_FREQUENCY, lambda audio: audio.read_audio_frequency_hz(reading_s)
        )

    def capture_audio(self, seconds: float, rate_hz: float) -> Samples:
        """Record the loudspeaker's voltage, V."""
        self._refuse_if_left()
        audio = present(self._audio, "audio_analyser")
        return self._watch.record("loudspeaker", audio, lambda: audio.capture_audio(seconds, rate_hz))

    def read_meter_v(self, reading_s: float) -> Reading:
        """Return the voltage on the signal-meter line, V."""
        self._refuse_if_left()
        meter = present(self._voltmeter, "voltmeter")
        return self._watch.read(
            METER, meter, lambda: meter.read_voltage_v(reading_s), span=self._line, patient=False
        )

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
                while_="with the generator off as with its signal",
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

    def confirm_response(self) -> None:
        """Raise UnexpectedReply for an instrument that does not respond to the unit, or gives what cannot be of it.

        One that gave one answer throughout gives it with the generator off too; the signal meter's line stays, to the last digit,
        where it was, with no signal as with a strong one; a tone that is known beforehand is none.
        """
        if self._generator.manual:
            return
        self._confirm_tone()
        self._confirm_line()
        self._confirm_alike()

    def confirm_silent(self) -> bool | None:
        """Switch the generator off and say whether its tone has gone; None where nothing can tell. NotConfirmed where it is still heard."""
        if (
            (audio := self._audio) is None
            or audio.manual
            or self._generator.manual
            or not self._signal.is_clear
        ):
            return None
        return confirm_tone_gone(
            self._generator,
            audio.read_audio_frequency_hz,
            self._watch.taken,
            self._clock,
            tone_hz=self._signal.tone_hz,
        )

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
                raise still(quantity, one, again.raw, while_="with the generator off as with its signal")

    def _confirm_tone(self) -> None:
        """Count the loudspeaker's tone where the audio analyser was read, on the signal there is or on a strong one.

        The one figure that is known beforehand. A receiver that hears nothing hisses, within the band of speech too, or is silent.
        """
        audio = self._audio
        if audio is None or audio.manual or not self._watch.has_read(audio):
            return
        with suppress(Refused):
            if not self._signal.is_clear:
                self._apply_clear()
                self._clock.wait_s(RESPONSE_S)
            span = tone_span(self._signal.tone_hz)
            self._watch.read(
                TONE,
                audio,
                lambda: audio.read_audio_frequency_hz(PROOF_READING_S),
                span=span,
                patient=False,
                proves=True,
            )

    def _apply_clear(self) -> None:
        """Give the receiver a tone well above its threshold, as the mode makes one."""
        if self._mode == "FM":
            self.apply_fm(CLEAR_DBM, deviation_hz=PROOF_DEVIATION_HZ, tone_hz=PROOF_TONE_HZ)
        elif self._mode == "AM":
            self.apply_am(CLEAR_DBM, depth_percent=PROOF_DEPTH_PERCENT, tone_hz=PROOF_TONE_HZ)
        else:
            beside = {"USB": 1.0, "LSB": -1.0}.get(self._mode, 0.0)
            self.apply_carrier(CLEAR_DBM, offset_hz=beside * PROOF_TONE_HZ)

    def _confirm_line(self) -> None:
        """Read the signal meter's line with no signal, and, where it stands as before, with a strong one."""
        meter, last = self._voltmeter, self._watch.taken.get(METER)
        if meter is None or meter.manual or last is None:
            return
        for strong in (False, True):
            if strong:
                self.apply_carrier(min(STRONG_DBM, self._ratings.max_receiver_input_dbm - self.level_off_db))
            else:
                self.remove_signal()
            self._clock.wait_s(RESPONSE_S)
            again = self.read_meter_v(PROOF_READING_S)
            if again.number is None or again.number != last.number:
                return
        raise still(METER, last, again.raw, while_="with no signal and with a strong one")

    def _audio_reading(self, name: str, span: Span, read: Callable[[AudioAnalyser], Reading]) -> Reading:
        audio = present(self._audio, "audio_analyser")
        return self._watch.read(name, audio, lambda: read(audio), span=span, patient=False)

    def wait_s(self, seconds: float) -> None:
        """Let time pass on the bench's clock."""
        self._clock.wait_s(seconds)

    def _made_dbm(self, generator: SignalGenerator, asked_dbm: float) -> float:
        """Return the level at the antenna connector that reads back; the one asked for where they are the same, or nobody says."""
        if generator.level_made_dbm is None:
            return asked_dbm
        made_dbm = generator.level_made_dbm - self._loss_db
        return asked_dbm if abs(made_dbm - asked_dbm) < SAME_LEVEL_DB else made_dbm

    def _refuse_above_rating(self, level_dbm: float) -> None:
        # Put this way round because a level that is not a number is not above anything.
        if not level_dbm + self.level_off_db <= self._ratings.max_receiver_input_dbm + 1e-9:
            raise Refused(
                f"{level_dbm:.1f} dBm into the unit refused; max_receiver_input is {self._ratings.max_receiver_input_dbm:g} dBm",
                instrument=self._generator.name,
                address=self._generator.address,
                next_move="Lower the level the check may use.",
            )
