"""The whole audio analyser: two tones, distortion, tone frequency, weightings, recordings.

Words: SCPI-1999's sensor functions and filters (from memory; it has no class for such an instrument). Numeric
suffix 2 of SOURce is the second tone, mixed onto the same output; its level is 0 V after *RST. Departures: POWer:DISTortion
is in percent; FREQuency is the frequency of the tone in the audio. Errors as in base.py.

Not modelled: a notch that follows the tone (FREQuency sets it), intermodulation distortion as a function, filters other than
the two weightings.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.instruments.base import MAKER, NO_MEASUREMENT
from sim.instruments.recorder import Recorder
from sim.radio.loudspeaker import distortion_percent
from sim.scpi.device import Boolean, Later, Number, ScpiError, Text, command, setting
from sim.wiring.wiring import Wiring

_FUNCTIONS = {
    "POWER:SNDRATIO": "sinad", "POW:SNDR": "sinad",
    "VOLTAGE:AC": "level", "VOLT:AC": "level",
    "POWER:DISTORTION": "distortion", "POW:DIST": "distortion",
    "FREQUENCY": "tone", "FREQ": "tone",
}  # fmt: skip


class AudioAnalyser(Recorder):
    """An audio analyser: two tones into the microphone input; level, SINAD, distortion and recordings of the loudspeaker."""

    identity = (MAKER, "AA-3", "6123", "1.9")

    tone_hz = setting(
        "[:SOURce<1:2>]:FREQuency[:CW|:FIXed]",
        Number("Hz", minimum=20, maximum=2e4, default=1e3, resolution=0.1),
    )
    level_v = setting(
        "[:SOURce<1:2>]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        Number("V", minimum=0, maximum=5, default=0.0, resolution=1e-6),
    )
    output_on = setting(":OUTPut[:STATe]", Boolean(default=False))
    function = setting(":SENSe:FUNCtion[:ON]", Text(default="VOLTage:AC"))
    time_s = setting(
        ":SENSe:SWEep:TIME", Number("s", minimum=0.02, maximum=10, default=0.2, resolution=0.001)
    )
    notch_hz = setting(":SENSe:FREQuency[:CW|:FIXed]", Number("Hz", minimum=100, maximum=1e4, default=1e3))
    psophometric = setting("[:SENSe]:FILTer:CCITt[:STATe]", Boolean(default=False))
    c_message = setting("[:SENSe]:FILTer:CMESsage[:STATe]", Boolean(default=False))

    def __init__(
        self,
        clock: Any,
        wiring: Wiring,
        rng: np.random.Generator,
        *,
        sinad_error_db: float = 0.25,
        level_error_percent: float = 0.5,
    ) -> None:
        super().__init__(clock, wiring, rng)
        self._sinad_error_db = self.within(sinad_error_db)
        self._level_error = 1.0 + self.within(level_error_percent) / 100.0

    @tone_hz.changed
    @level_v.changed
    def _drive_one(self, _source: int) -> None:
        self._drive()

    @output_on.changed
    def _drive(self) -> None:
        self.look()
        on = 1.0 if self.output_on else 0.0
        first_hz, second_hz = self.tone_hz[1], self.tone_hz[2]
        self.wiring.unit.set_microphone(
            first_hz, on * self.level_v[1], second_hz=second_hz, second_v=on * self.level_v[2]
        )

    @function.check
    def _known_function(self, text: str) -> None:
        if text.upper() not in _FUNCTIONS:
            raise ScpiError(-224, f"function {text!r}")

    @psophometric.check
    def _one_weighting(self, on: bool) -> None:
        if on:
            self.c_message = False

    @c_message.check
    def _other_weighting(self, on: bool) -> None:
        if on:
            self.psophometric = False

    @property
    def weighting(self) -> str:
        """Which weighting is on."""
        if self.psophometric:
            return "psophometric"
        return "C-message" if self.c_message else "flat"

    @command(":READ?")
    def read_function(self) -> Later:
        """Measure the selected function over SWEep:TIME, beginning now."""
        self.look()
        return Later(self.time_s, self._shown())

    def _shown(self) -> float:
        unit = self.wiring.unit
        if self.wiring.joins_audio:
            return self._of_own_source()
        match _FUNCTIONS[self.function.upper()]:
            case "level":
                return unit.audio_level_v(self.time_s, self.weighting) * self._level_error
            case "tone":
                tone_hz = unit.audio_tone_hz()
                return NO_MEASUREMENT if tone_hz is None else round(tone_hz, 1)
            case "distortion":
                return round(distortion_percent(self._sinad()), 3)
        return self._sinad()

    def _of_own_source(self) -> float:
        """Return what it reads of its own source, which the switch has joined to its meter: the first tone, and little noise."""
        given_v = self.level_v[1] if self.output_on else 0.0
        match _FUNCTIONS[self.function.upper()]:
            case "level":
                noise_v = 1e-5 * float(self.rng.standard_normal())
                return float(abs(given_v * self._level_error + noise_v))
            case "tone":
                return round(self.tone_hz[1], 1) if given_v > 0 else NO_MEASUREMENT
        return NO_MEASUREMENT

    def _sinad(self) -> float:
        sinad_db = self.wiring.unit.sinad_db(self.time_s, self.notch_hz, self.weighting)
        return round(max(0.0, sinad_db + (self._sinad_error_db if sinad_db > 1 else 0.0)), 2)

    def record(self, count: int, rate_hz: float) -> dict[str, NDArray[Any]]:
        """Record the loudspeaker's voltage, V."""
        return {"AUDio": self.wiring.unit.audio_samples_v(count, rate_hz) * self._level_error}
