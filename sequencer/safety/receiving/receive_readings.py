"""What the receive side reads the unit by: the loudspeaker's audio and the signal meter's line."""

from __future__ import annotations

from collections.abc import Callable

from drivers.clock import Clock
from drivers.roles import AudioAnalyser, Reading, Samples, SignalGenerator, Voltmeter, Weighting
from sequencer.safety.control.key import Ratings
from sequencer.safety.control.side import present
from sequencer.safety.proofs.plausible import (
    AUDIO_FREQUENCY,
    AUDIO_LEVEL,
    DISTORTION,
    SINAD,
    Span,
    meter_span,
)
from sequencer.safety.receiving.meter_line import MeterTimes
from sequencer.safety.receiving.receive_signal import SignalSide

METER = "meter voltage"
HEARD_DB = 10.0
"""SINAD that no hiss gives: a signal was heard. Common practice, no source."""
MOVED_DB = 6.0  # what no scatter does: common practice, no source


class ReceiveReadings(SignalSide):
    """The signal, and the instruments that read what the unit makes of it."""

    __slots__ = ("_audio", "_line", "_line_seen_v", "_line_times", "_sinads_db", "_voltmeter")

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
        super().__init__(
            generator=generator,
            interferer=interferer,
            clock=clock,
            ratings=ratings,
            loss_db=loss_db,
            frequency_hz=frequency_hz,
            mode=mode,
        )
        self._audio = audio
        self._voltmeter = voltmeter
        self._line = meter_span(supply_v)
        self._line_times = MeterTimes()
        self._line_seen_v: tuple[float, float] | None = None
        self._sinads_db: tuple[float, float] | None = None

    def configure_audio(self, *, tone_hz: float, weighting: Weighting = "flat") -> None:
        """Say which tone the audio readings look for, and with which weighting."""
        self._refuse_if_left()
        audio = present(self._audio, "audio_analyser")
        audio.set_notch_hz(tone_hz)
        audio.configure_weighting(weighting)

    def read_sinad_db(self, reading_s: float) -> Reading:
        """Return SINAD of the loudspeaker audio, dB."""
        self._refuse_if_left()
        reading = self._audio_reading("SINAD", SINAD, lambda audio: audio.read_sinad_db(reading_s))
        if (sinad_db := reading.number) is not None:
            low_db, high_db = self._sinads_db or (sinad_db, sinad_db)
            self._sinads_db = (min(low_db, sinad_db), max(high_db, sinad_db))
        return reading

    @property
    def was_heard(self) -> bool:
        """Say whether a signal was heard on this side, and not always alike: SINAD moved."""
        low_db, high_db = self._sinads_db or (0.0, 0.0)
        return high_db >= HEARD_DB and high_db - low_db >= MOVED_DB

    def read_audio_v(self, reading_s: float) -> Reading:
        """Return the loudspeaker level, V rms."""
        self._refuse_if_left()
        return self._audio_reading("audio level", AUDIO_LEVEL, lambda audio: audio.read_level_v(reading_s))

    def expect_other_audio(self) -> None:
        """Say that the next level of the audio is another by far: a person is not asked whether so large a step is right."""
        present(self._audio, "audio_analyser").expect_leap()

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

    def configure_meter(self, *, attack_s: float, decay_s: float) -> None:
        """Say with which time constants the signal meter follows: the proof at the end waits for it."""
        self._line_times = MeterTimes(rise_s=attack_s, fall_s=decay_s)

    def read_meter_v(self, reading_s: float) -> Reading:
        """Return the voltage on the signal-meter line, V."""
        reading = self._meter_reading(reading_s)
        if (volts := reading.number) is not None:
            low_v, high_v = self._line_seen_v or (volts, volts)
            self._line_seen_v = (min(low_v, volts), max(high_v, volts))
        return reading

    def _meter_reading(self, reading_s: float) -> Reading:
        self._refuse_if_left()
        meter = present(self._voltmeter, "voltmeter")
        return self._watch.read(
            METER, meter, lambda: meter.read_voltage_v(reading_s), span=self._line, patient=False
        )

    def _audio_reading(self, name: str, span: Span, read: Callable[[AudioAnalyser], Reading]) -> Reading:
        audio = present(self._audio, "audio_analyser")
        return self._watch.read(name, audio, lambda: read(audio), span=span, patient=False)
