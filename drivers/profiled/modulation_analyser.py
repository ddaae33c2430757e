"""An AM/FM modulation analyser on a command profile."""

from __future__ import annotations

from drivers.profiled.base import Begun, ProfiledInstrument
from drivers.profiled.kept_settings import Setting
from drivers.profiled.recording import finish, record
from drivers.roles import AudioFilters, Emission, ModulationAnalyser, PeakSide, Reading, Samples

CORNER_SHARE = 0.1  # what a stepped filter may be off and still be nearly the one asked for; checks reckon with what it made of it
WIDEST = 3.0  # times the bandwidth asked for: lines are told apart by it, and their levels are the same in a wider one
LEAST_SHARE = 0.95  # a narrower one may miss a line that lies a little off


class ProfiledModulationAnalyser(ProfiledInstrument, ModulationAnalyser):
    """An AM/FM modulation analyser."""

    _begun: Begun | None = None

    def set_start_state(self, emission: Emission = "FM") -> None:
        """Switch the audio filters off and demodulate ``emission``, each read back.

        The demodulators of the sidebands, which few analysers have, are left to the checks that need one.
        """
        super().set_start_state()
        filters = [
            Setting(name=name, position=False, optional=True)
            for name in ("high_pass", "low_pass", "deemphasis")
        ]
        chosen = (
            [Setting(name="demodulator", position=emission, optional=True)]
            if emission in ("FM", "AM")
            else []
        )
        self._set_together(*chosen, *filters)

    def tune_hz(self, frequency_hz: float) -> None:
        """Tell it which carrier to expect."""
        self._set("tune", frequency_hz, tolerance=1.0)

    def read_frequency_hz(self) -> Reading:
        """Return the carrier frequency, Hz."""
        return self._read("carrier_frequency")

    def read_deviation_hz(self, side: PeakSide) -> Reading:
        """Return the peak FM deviation, Hz (a positive number), of one side of the carrier."""
        return self._read(f"deviation_{side}")

    def read_rms_deviation_hz(self) -> Reading:
        """Return the rms FM deviation, Hz."""
        return self._read("deviation_rms")

    def read_depth_percent(self, side: PeakSide) -> Reading:
        """Return the peak AM depth, percent (a positive number), of one side of the carrier."""
        return self._read(f"depth_{side}")

    def read_rms_depth_percent(self) -> Reading:
        """Return the rms AM depth, percent."""
        return self._read("depth_rms")

    def configure_demodulator(self, emission: Emission) -> None:
        """Choose what the readings of demodulated audio listen to."""
        self._set_word("demodulator", emission)

    def configure_filters(
        self,
        *,
        high_pass_hz: float | None = None,
        low_pass_hz: float | None = None,
        deemphasis_s: float | None = None,
    ) -> None:
        """Choose the audio filters behind the demodulator; None switches one off. Each is confirmed.

        An analyser whose filters go in steps takes its nearest: up to a tenth off, `filters_made` says which. NotConfirmed beyond that.
        """
        self.filters_made = None
        made: list[float | None] = []
        for name, corner, figure in (
            ("high_pass", "high_pass_frequency", high_pass_hz),
            ("low_pass", "low_pass_frequency", low_pass_hz),
            ("deemphasis", "deemphasis_time", deemphasis_s),
        ):
            made.append(
                None if figure is None else self._set(corner, figure, tolerance=CORNER_SHARE * figure)
            )
            if figure is not None or self._has(name):
                self._set_switch(name, figure is not None)
        high_pass, low_pass, deemphasis = made
        self.filters_made = AudioFilters(
            high_pass_hz=high_pass, low_pass_hz=low_pass, deemphasis_s=deemphasis
        )

    def read_distortion_percent(self) -> Reading:
        """Return distortion and noise of the demodulated audio, percent of the whole."""
        return self._read("distortion")

    def read_audio_frequency_hz(self) -> Reading:
        """Return the frequency of the tone in the demodulated audio, Hz."""
        return self._read("audio_frequency")

    def read_selective_dbm(self, frequency_hz: float, bandwidth_hz: float) -> Reading:
        """Return the level of what lies at ``frequency_hz`` within ``bandwidth_hz``, dBm; leaves it tuned there.

        An analyser whose bandwidths go in steps takes its nearest: up to three times as wide, `bandwidth_made_hz` says which.
        """
        self.tune_hz(frequency_hz)
        self.bandwidth_made_hz = None
        self.bandwidth_made_hz = self._set(
            "selective_bandwidth",
            bandwidth_hz,
            tolerance=((1.0 - LEAST_SHARE) * bandwidth_hz, (WIDEST - 1.0) * bandwidth_hz),
        )
        return self._read("selective_level")

    def capture_baseband(self, seconds: float, rate_hz: float) -> Samples:
        """Record complex samples about the frequency tuned to, V peak."""
        return record(self, "recorded_baseband", seconds, rate_hz, is_complex=True)

    def begin_baseband(self, seconds: float, rate_hz: float) -> None:
        """Begin to record complex samples about the frequency tuned to, and return at once."""
        self._begun = self.begin_recording(seconds, rate_hz)

    def finish_baseband(self) -> Samples:
        """Wait until the recording is over, and return it, V peak."""
        begun, self._begun = self._begun, None
        if begun is None:
            raise self.nothing_begun()
        return finish(self, "recorded_baseband", begun)

    def capture_audio(self, seconds: float, rate_hz: float) -> Samples:
        """Record the demodulated audio, in Hz of deviation or percent of depth."""
        return record(self, "recorded_audio", seconds, rate_hz)
