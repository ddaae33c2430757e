"""The simulated relay box on the radio's controls.

Words, errors and accuracy: as in base.py. Its relay takes a time of its own, drawn once, no longer than `SLOWEST_RELAY_S`: seen only in how
a carrier comes up and goes (`sim.radio.keying`). Not modelled: contact bounce, relays that stick.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sim.instruments.base import MAKER, BenchInstrument
from sim.scpi.device import Boolean, Choice, Number, ScpiError, Text, command
from sim.wiring.wiring import Wiring

SLOWEST_RELAY_S = 0.005  # a small relay: common practice, no source


class RelayBox(BenchInstrument):
    """A relay box on the radio's channel, mode and push-to-talk lines, below the standard's CONTrol subsystem."""

    identity = (MAKER, "RB-1", "8001", "0.9")
    _preset = ""

    def __init__(self, clock: Any, wiring: Wiring, rng: np.random.Generator) -> None:
        super().__init__(clock, wiring, rng)
        self.relay_s = abs(self.within(SLOWEST_RELAY_S))

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

    @command(":CONTrol:PRESet:SELect", Text())
    def select_preset(self, name: str) -> None:
        """Choose a setting of the radio by its name; -222 if it has none of that name."""
        try:
            self.wiring.unit.stored_preset(name)
        except ValueError as error:
            raise ScpiError(-222, str(error)) from error
        self._preset = name

    @command(":CONTrol:PRESet:SELect?")
    def read_selected_preset(self) -> str:
        """Answer which setting is chosen; empty at first."""
        return self._preset

    @command(":CONTrol:PRESet", Number(integer=True, minimum=-32768, maximum=65535, words=False))
    def store_preset(self, value: int) -> None:
        """Store the chosen setting; -221 if none is chosen, -222 if it takes no such value."""
        self.look()
        self._refuse_unchosen()
        try:
            self.wiring.store_preset(self._preset, value)
        except ValueError as error:
            raise ScpiError(-222, str(error)) from error

    @command(":CONTrol:PRESet?")
    def read_preset(self) -> int:
        """Answer the chosen setting; -221 if none is chosen."""
        self._refuse_unchosen()
        return self.wiring.unit.stored_preset(self._preset)

    def _refuse_unchosen(self) -> None:
        if not self._preset:
            raise ScpiError(-221, "no setting is chosen")

    @command(":CONTrol:KEY:STATe", Boolean())
    def set_key(self, closed: bool) -> None:
        """Close or open the push-to-talk line."""
        self.look()
        self.wiring.unit.line_late_s = self.relay_s
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
        self._preset = ""
