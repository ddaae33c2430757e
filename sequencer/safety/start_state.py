"""The state that every check starts from, and the proof at its end that it stood all the while.

Before a check every instrument of its side is set back and read back: audio source, second tone, weighting, filters, demodulator,
modulation, second generator. After it they are asked again for all that was set. An instrument that restarted in between
answers like a sound one; that its settings are gone is all that tells.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from drivers.roles import (
    AudioAnalyser,
    Emission,
    Instrument,
    ModulationAnalyser,
    PowerMeter,
    Radio,
    SignalGenerator,
    Switch,
    Voltmeter,
)
from sequencer.safety.supply import SupplyLine

RECEIVE = (SignalGenerator, AudioAnalyser, Voltmeter)
TRANSMIT = (PowerMeter, ModulationAnalyser, AudioAnalyser)
COMMON = (Switch, Radio)


class StartState:
    """Sets the instruments of a side back before a check, and asks them after it."""

    def __init__(self, instruments: Mapping[str, Instrument], supply: SupplyLine) -> None:
        self._instruments = instruments
        self._supply = supply

    def set_receive(self) -> None:
        """Set back what works on the receive side, generators first. Raises `InstrumentFault` where one does not read back."""
        for one in self._of(RECEIVE):
            one.set_start_state()

    def set_transmit(self, emission: Emission) -> None:
        """Set back what works on the transmit side. Raises `InstrumentFault` where one does not read back."""
        for one in self._of(TRANSMIT):
            if isinstance(one, ModulationAnalyser):
                one.set_start_state(emission)
            else:
                one.set_start_state()

    def confirm_receive(self) -> None:
        """Raise SettingLost, or NotConfirmed, unless everything on the receive side stands as it was set."""
        self._confirm((*COMMON, *RECEIVE))

    def confirm_transmit(self) -> None:
        """Raise SettingLost, or NotConfirmed, unless everything on the transmit side stands as it was set; the unit rests."""
        self._confirm((*COMMON, SignalGenerator, *TRANSMIT))  # the generators were asked before each press

    def _confirm(self, kinds: tuple[type[Instrument], ...]) -> None:
        for one in self._of(kinds):
            one.confirm_settings()
        self._supply.confirm()

    def _of(self, kinds: tuple[type[Instrument], ...]) -> Iterable[Instrument]:
        return [one for kind in kinds for one in self._instruments.values() if isinstance(one, kind)]
