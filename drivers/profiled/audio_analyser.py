"""An audio analyser (source and meter) on a command profile."""

from __future__ import annotations

from drivers.profiled.base import ProfiledInstrument
from drivers.profiled.kept_settings import Setting
from drivers.profiled.recording import record
from drivers.roles import AudioAnalyser, Reading, Samples, Weighting

START_TONE_HZ = 1000.0


class ProfiledAudioAnalyser(ProfiledInstrument, AudioAnalyser):
    """An audio source into the microphone input and a meter on the loudspeaker."""

    def prepare(self) -> None:
        """Start with the audio source off."""
        self.configure_source_enabled(False)

    def set_start_state(self) -> None:
        """Switch the audio source, its second tone and the weighting off and put the notch on 1 kHz, each read back."""
        super().set_start_state()
        self._set_together(
            Setting(name="source_output", position=False),
            Setting(name="second_level", position=0.0, tolerance=1e-5, optional=True),
            Setting(name="psophometric", position=False, optional=True),
            Setting(name="c_message", position=False, optional=True),
            Setting(name="notch", position=START_TONE_HZ, tolerance=1.0, optional=True),
        )

    def disable(self) -> None:
        """Switch the audio source off, confirmed by read-back."""
        self.configure_source_enabled(False)

    def configure_source(self, tone_hz: float, level_v: float) -> None:
        """Set tone frequency, Hz, and level, V rms, of the source."""
        self._set("source_tone", tone_hz, tolerance=1.0)
        self._set("source_level", level_v, tolerance=0.005 * level_v + 1e-5)

    def configure_source_enabled(self, enabled: bool) -> None:
        """Switch the source, confirmed by read-back."""
        self._set_switch("source_output", enabled)

    def read_sinad_db(self, reading_s: float) -> Reading:
        """Return SINAD at the tone, dB, measured over ``reading_s`` seconds."""
        return self._read_for("sinad", reading_s)

    def read_level_v(self, reading_s: float) -> Reading:
        """Return the audio level, V rms, measured over ``reading_s`` seconds."""
        return self._read_for("level", reading_s)

    def configure_second_tone(self, tone_hz: float, level_v: float) -> None:
        """Mix a second tone onto the source; level 0 takes it away."""
        self._set("second_tone", tone_hz, tolerance=1.0)
        self._set("second_level", level_v, tolerance=0.005 * level_v + 1e-5)

    def configure_weighting(self, weighting: Weighting) -> None:
        """Choose the weighting before the meter; one that the profile lacks is refused, except flat."""
        for name, wanted in (("psophometric", "psophometric"), ("c_message", "C-message")):
            if weighting == wanted or self._has(name):
                self._set_switch(name, weighting == wanted)

    def read_distortion_percent(self, reading_s: float) -> Reading:
        """Return distortion and noise, percent of the whole, measured over ``reading_s`` seconds."""
        return self._read_for("distortion", reading_s)

    def read_audio_frequency_hz(self, reading_s: float) -> Reading:
        """Return the frequency of the tone, Hz."""
        return self._read_for("audio_frequency", reading_s)

    def set_notch_hz(self, tone_hz: float) -> None:
        """Say which tone SINAD and distortion take out, where the instrument does not follow by itself."""
        if self._has("notch"):
            self._set("notch", tone_hz, tolerance=1.0)

    def capture_audio(self, seconds: float, rate_hz: float) -> Samples:
        """Record the loudspeaker's voltage, V."""
        return record(self, "recorded_audio", seconds, rate_hz)
