"""The audio and DC side's simulated instruments: audio analyser, voltmeter, supply, and the relay box on the radio's controls.

Sources, errors and what is not modelled: as in base.py; further not modelled: hum, input impedance, crest factor, thermal
voltages, supply ripple and its current-limit dynamics (a limit that is hit takes the voltage away at once).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sim.instruments.base import MAKER, OVER_RANGE, BenchInstrument
from sim.scpi.device import Boolean, Choice, Later, Number, ScpiError, Text, command, setting
from sim.wiring.wiring import Wiring

_FUNCTIONS = {"POWER:SNDRATIO": "sinad", "POW:SNDR": "sinad", "VOLTAGE:AC": "level", "VOLT:AC": "level"}


class AudioSet(BenchInstrument):
    """An audio analyser: a source into the microphone input, and a meter with SINAD on the loudspeaker."""

    identity = (MAKER, "AA-3", "6123", "1.9")

    tone_hz = setting(
        "[:SOURce]:FREQuency[:CW|:FIXed]", Number("Hz", minimum=20, maximum=2e4, default=1e3, resolution=0.1)
    )
    level_v = setting(
        "[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        Number("V", minimum=0, maximum=5, default=0.0, resolution=1e-6),
    )
    output_on = setting(":OUTPut[:STATe]", Boolean(default=False))
    function = setting(":SENSe:FUNCtion[:ON]", Text(default="VOLTage:AC"))
    time_s = setting(
        ":SENSe:SWEep:TIME", Number("s", minimum=0.02, maximum=10, default=0.2, resolution=0.001)
    )
    notch_hz = setting(":SENSe:FREQuency[:CW|:FIXed]", Number("Hz", minimum=100, maximum=1e4, default=1e3))

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

    @function.check
    def _known_function(self, text: str) -> None:
        if text.upper() not in _FUNCTIONS:
            raise ScpiError(-224, f"function {text!r}")

    @tone_hz.changed
    @level_v.changed
    @output_on.changed
    def _drive(self) -> None:
        self.look()
        self.wiring.unit.set_microphone(self.tone_hz, self.level_v if self.output_on else 0.0)

    @command(":READ?")
    def read_function(self) -> Later:
        """Measure the selected function over SWEep:TIME, beginning now."""
        self.look()
        kind = _FUNCTIONS[self.function.upper()]
        shown = self._sinad() if kind == "sinad" else self._level()
        return Later(self.time_s, shown)

    def _sinad(self) -> float:
        sinad_db = self.wiring.unit.sinad_db(self.time_s, self.notch_hz)
        return round(max(0.0, sinad_db + (self._sinad_error_db if sinad_db > 1 else 0.0)), 2)

    def _level(self) -> float:
        return self.wiring.unit.audio_level_v(self.time_s) * self._level_error


class DcVoltmeter(BenchInstrument):
    """A DC voltmeter with ranges of 0.1, 1, 10 and 100 V and 5½ digits."""

    identity = (MAKER, "DV-5", "7045", "1.1")
    RANGES_V = (0.1, 1.0, 10.0, 100.0)

    aperture_s = setting(
        "[:SENSe]:VOLTage[:DC]:APERture",
        Number("s", minimum=0.001, maximum=10, default=0.1, resolution=0.001),
    )
    auto_range = setting("[:SENSe]:VOLTage[:DC]:RANGe:AUTO", Boolean(default=True))
    upper_v = setting("[:SENSe]:VOLTage[:DC]:RANGe[:UPPer]", Number("V", minimum=0, maximum=100, default=10))

    def __init__(
        self, clock: Any, wiring: Wiring, rng: np.random.Generator, *, error_percent: float = 0.1
    ) -> None:
        super().__init__(clock, wiring, rng)
        self._error = 1.0 + self.within(error_percent) / 100.0

    @command(":CONFigure[:SCALar]:VOLTage[:DC]")
    def configure(self) -> None:
        """Select the only function there is."""

    @command(":MEASure[:SCALar]:VOLTage[:DC]?")
    @command(":READ?")
    def read_voltage(self) -> Later:
        """Measure the signal meter's line over the aperture, beginning now."""
        self.look()
        volts = self.wiring.unit.meter_volts(self.aperture_s) * self._error
        return Later(self.aperture_s, self._shown(volts))

    @upper_v.check
    def _leave_auto_range(self, _upper_v: float) -> None:
        self.auto_range = False

    def _shown(self, volts: float) -> float:
        allowed = (
            self.RANGES_V if self.auto_range else tuple(r for r in self.RANGES_V if r >= self.upper_v)[:1]
        )
        range_v = next((r for r in allowed if abs(volts) <= 1.2 * r), None)
        if range_v is None:
            return math.copysign(OVER_RANGE, volts)
        step_v = range_v / 1e5
        return round(volts / step_v) * step_v


class DcSupply(BenchInstrument):
    """A DC supply, 0 to 30 V and 0 to 20 A, settling in 50 ms."""

    identity = (MAKER, "PS-30", "1007", "1.02")

    voltage_v = setting(
        "[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        Number("V", minimum=0, maximum=30, default=0, resolution=0.001),
    )
    current_a = setting(
        "[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
        Number("A", minimum=0, maximum=20, default=1, resolution=0.001),
    )
    output_on = setting(":OUTPut[:STATe]", Boolean(default=False))

    _limited = False

    @voltage_v.changed
    @output_on.changed
    def _feed(self) -> None:
        self.look()
        self._limited = False
        self.begin("SETTling", 0.050)
        self.wiring.set_supply_v(self.voltage_v if self.output_on else None)

    @command(":MEASure[:SCALar]:VOLTage[:DC]?")
    def measure_voltage(self) -> Later:
        """Measure at the terminals."""
        return Later(0.02, self._volts)

    @command(":MEASure[:SCALar]:CURRent[:DC]?")
    def measure_current(self) -> Later:
        """Measure what is delivered."""
        return Later(0.02, self._amperes)

    def questionable_condition(self) -> int:
        """Say in bit 1 (CURRent) that the limit has taken the voltage away, until the output is set anew."""
        self.catch_up()
        return 2 * self._limited

    def catch_up(self) -> None:
        """Take the voltage away if the unit draws more than the limit, whoever made it draw more."""
        if self.output_on and self.wiring.unit.supply_current_a() > self.current_a:
            self._limited = True
            self.wiring.set_supply_v(None)

    def _volts(self) -> float:
        self.look()
        return (
            round(self.wiring.unit.supply_v + 0.002 * float(self.rng.standard_normal()), 3)
            if self.output_on
            else 0.0
        )

    def _amperes(self) -> float:
        self.look()
        current_a = self.wiring.unit.supply_current_a() if self.output_on else 0.0
        return round(max(0.0, current_a + 0.002 * float(self.rng.standard_normal())), 3)


class RelayBox(BenchInstrument):
    """A relay box on the radio's channel, mode and push-to-talk lines, below the standard's CONTrol subsystem."""

    identity = (MAKER, "RB-1", "8001", "0.9")

    @command(":CONTrol:CHANnel", Number(integer=True, minimum=0, maximum=9999, words=False))
    def set_channel(self, channel: int) -> None:
        """Step the radio to a channel; -222 if it has none of that number."""
        self.look()
        try:
            self.wiring.unit.set_channel(channel)
        except ValueError as error:
            raise ScpiError(-222, str(error)) from error

    @command(":CONTrol:CHANnel?")
    def read_channel(self) -> int:
        """Answer the channel the radio shows."""
        return self.wiring.unit.channel

    @command(":CONTrol:FREQuency", Number("Hz", minimum=1e3, maximum=3e9, words=False))
    def set_frequency(self, frequency_hz: float) -> None:
        """Ask the radio to leave its channels and go to a frequency; -222 if it takes none such."""
        self.look()
        try:
            self.wiring.unit.set_frequency(frequency_hz)
        except ValueError as error:
            raise ScpiError(-222, str(error)) from error

    @command(":CONTrol:FREQuency?")
    def read_frequency(self) -> float:
        """Answer the frequency the radio shows."""
        return self.wiring.unit.dial_hz

    @command(":CONTrol:MODE", Choice("FM", "AM", "USB", "LSB", "CW"))
    def set_mode(self, mode: str) -> None:
        """Set the emission; -224 if the radio has no such mode."""
        self.look()
        try:
            self.wiring.unit.set_mode(mode)
        except ValueError as error:
            raise ScpiError(-224, str(error)) from error

    @command(":CONTrol:MODE?")
    def read_mode(self) -> str:
        """Answer the emission the radio stands on."""
        return self.wiring.unit.mode

    @command(":CONTrol:KEY:STATe", Boolean())
    def set_key(self, closed: bool) -> None:
        """Close or open the push-to-talk line."""
        self.look()
        if closed:
            self.wiring.key()
        else:
            self.wiring.unkey()
        self.look()  # a supply at its current limit lets go at once

    @command(":CONTrol:KEY:STATe?")
    def read_key(self) -> bool:
        """Answer whether the push-to-talk line is closed."""
        return self.wiring.unit.keyed

    def on_reset(self) -> None:
        """Open the push-to-talk line."""
        self.look()
        self.wiring.unkey()
