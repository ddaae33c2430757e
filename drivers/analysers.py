"""What the analysers of a bench can do: of modulation, of audio, and of the spectrum; named with the other roles in `drivers.roles`.

Every method may raise `drivers.faults.InstrumentFault`.
"""

from __future__ import annotations

from abc import abstractmethod
from contextlib import suppress
from typing import Literal

from typing_extensions import override

from drivers.faults import Refused
from drivers.instrument import Instrument
from drivers.values import (
    AudioFilters,
    Emission,
    PeakSide,
    Reading,
    Samples,
    Spectrum,
    SpectrumSettings,
    Weighting,
)


class ModulationAnalyser(Instrument):
    """An AM/FM modulation analyser."""

    filters_made: AudioFilters | None = None
    """What it made of the audio filters set last, by its own word; None where it, or its driver, does not say."""
    bandwidth_made_hz: float | None = None
    """What it made of the bandwidth of the last selective reading, Hz, by its own word; None where nothing says."""

    @override
    def set_start_state(self, emission: Emission = "FM") -> None:
        """Switch the audio filters off and demodulate ``emission``, as far as it can."""
        with suppress(Refused):
            self.configure_demodulator(emission)
        with suppress(Refused):
            self.configure_filters()

    @abstractmethod
    def tune_hz(self, frequency_hz: float) -> None:
        """Tell it which carrier to expect."""

    @abstractmethod
    def read_frequency_hz(self) -> Reading:
        """Return the carrier frequency, Hz."""

    @abstractmethod
    def read_deviation_hz(self, side: Literal["positive", "negative"]) -> Reading:
        """Return the peak FM deviation, Hz, of the ``"positive"`` or ``"negative"`` side."""

    def read_rms_deviation_hz(self) -> Reading:
        """Return the rms FM deviation, Hz."""
        raise self._cannot("read rms deviation")

    def read_depth_percent(self, side: PeakSide) -> Reading:
        """Return the peak AM depth, percent, of the ``"positive"`` or ``"negative"`` side."""
        raise self._cannot("read AM depth")

    def read_rms_depth_percent(self) -> Reading:
        """Return the rms AM depth, percent."""
        raise self._cannot("read rms AM depth")

    def configure_demodulator(self, emission: Emission) -> None:
        """Choose what the readings of demodulated audio listen to."""
        raise self._cannot("demodulate " + emission)

    def configure_filters(
        self,
        *,
        high_pass_hz: float | None = None,
        low_pass_hz: float | None = None,
        deemphasis_s: float | None = None,
    ) -> None:
        """Choose the audio filters behind the demodulator; None switches one off."""
        raise self._cannot("filter demodulated audio")

    def read_distortion_percent(self) -> Reading:
        """Return distortion and noise of the demodulated audio, percent of the whole."""
        raise self._cannot("read distortion of demodulated audio")

    def read_audio_frequency_hz(self) -> Reading:
        """Return the frequency of the tone in the demodulated audio, Hz."""
        raise self._cannot("read the frequency of demodulated audio")

    def read_selective_dbm(self, frequency_hz: float, bandwidth_hz: float) -> Reading:
        """Return the level of what lies at ``frequency_hz`` within ``bandwidth_hz``, dBm at its own connector."""
        raise self._cannot("read a level selectively")

    def capture_baseband(self, seconds: float, rate_hz: float) -> Samples:
        """Record complex samples about the frequency tuned to, V peak."""
        raise self._cannot("record baseband samples")

    def begin_baseband(self, seconds: float, rate_hz: float) -> None:
        """Begin to record complex samples and return at once, so that PTT is pressed or released while it records."""
        raise self._cannot("record baseband samples while PTT is pressed or released")

    def finish_baseband(self) -> Samples:
        """Wait until what `begin_baseband` began is over, and return it, V peak; it says when it can have begun."""
        raise self._cannot("record baseband samples while PTT is pressed or released")

    def capture_audio(self, seconds: float, rate_hz: float) -> Samples:
        """Record the demodulated audio, in Hz of deviation or percent of depth."""
        raise self._cannot("record demodulated audio")


class AudioAnalyser(Instrument):
    """An audio source into the microphone input and a meter on the loudspeaker."""

    @override
    def set_start_state(self) -> None:
        """Switch the audio source, its second tone and the weighting off."""
        self.configure_source_enabled(False)
        self.configure_weighting("flat")
        with suppress(Refused):
            self.configure_second_tone(1000.0, 0.0)

    @abstractmethod
    def configure_source(self, tone_hz: float, level_v: float) -> None:
        """Set tone frequency and level (V rms) of the source."""

    @abstractmethod
    def configure_source_enabled(self, enabled: bool) -> None:
        """Switch the source, confirmed by read-back."""

    @abstractmethod
    def read_sinad_db(self, reading_s: float) -> Reading:
        """Return SINAD at the tone, dB, measured over ``reading_s`` seconds."""

    @abstractmethod
    def read_level_v(self, reading_s: float) -> Reading:
        """Return the audio level, V rms."""

    def expect_leap(self) -> None:
        """Hear that the next level is another by far: of use where a person reads, who is asked again after a large step."""

    def configure_second_tone(self, tone_hz: float, level_v: float) -> None:
        """Mix a second tone onto the source; level 0 takes it away."""
        raise self._cannot("give two tones")

    def configure_weighting(self, weighting: Weighting) -> None:
        """Choose the weighting before the meter."""
        if weighting != "flat":
            raise self._cannot(f"weight with a {weighting} filter")

    def set_notch_hz(self, tone_hz: float) -> None:
        """Say which tone SINAD and distortion take out; nothing to do for a meter that follows the tone by itself."""

    def read_distortion_percent(self, reading_s: float) -> Reading:
        """Return distortion and noise, percent of the whole."""
        raise self._cannot("read distortion")

    def read_audio_frequency_hz(self, reading_s: float) -> Reading:
        """Return the frequency of the tone, Hz."""
        raise self._cannot("read the frequency of a tone")

    def capture_audio(self, seconds: float, rate_hz: float) -> Samples:
        """Record the loudspeaker's voltage, V."""
        raise self._cannot("record audio")


class SpectrumAnalyser(Instrument):
    """A spectrum analyser (IviSpecAn), on the transmit path beside the power meter. Levels are at its own connector, dBm.

    It is never believed about itself: an overloaded mixer shows in no trace, so that a check proves it with another attenuation.
    """

    @abstractmethod
    def configure_spectrum(self, settings: SpectrumSettings) -> SpectrumSettings:
        """Make all settings, in the order in which they couple, and read each back; returns what it made of those left to it.

        NotConfirmed where one reads back otherwise: a resolution bandwidth that it has not is an error, not a rounding.
        """

    def read_spectrum(self) -> Spectrum:
        """Sweep once, as it was configured, and return the trace."""
        raise self._cannot("give a trace")

    @abstractmethod
    def read_highest_dbm(self) -> Reading:
        """Sweep once, as it was configured, and return the highest level in the span, dBm."""
