"""The state that every check starts from, and the proof at its end that it stood all the while.

Before a check every instrument of its side is set back and read back: audio source, second tone, weighting, filters, demodulator,
modulation, second generator. After it they are asked again for all that was set. An instrument that restarted in between
answers like a sound one; that its settings are gone is all that tells.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from drivers.roles import (
    AudioAnalyser,
    Emission,
    Instrument,
    ModulationAnalyser,
    PowerMeter,
    Radio,
    SignalGenerator,
    SpectrumAnalyser,
    Switch,
    Voltmeter,
)
from sequencer.safety.control.supply import SupplyLine

_ROLES: Mapping[type[Instrument], str] = {
    AudioAnalyser: "audio_analyser",
    ModulationAnalyser: "modulation_analyser",
    PowerMeter: "power_meter",
    SpectrumAnalyser: "spectrum_analyser",
    Voltmeter: "voltmeter",
}
"""Instruments that only read: where a check needs none of them, one that is dead does not stop it."""
Kinds = tuple[type[Instrument], ...]
READ_TRANSMIT: Kinds = (PowerMeter, ModulationAnalyser, SpectrumAnalyser)
"""What a transmitter is read by, in the order in which it is set back and asked."""


class StartState:
    """Sets the instruments of a side back before a check, and asks them after it.

    ``roles`` are those the check reads by; None stands for all. What drives the unit on its side belongs to every check.
    """

    def __init__(self, instruments: Mapping[str, Instrument], supply: SupplyLine) -> None:
        self._instruments = instruments
        self._supply = supply

    def set_receive(self, roles: frozenset[str] | None) -> None:
        """Set back what works on the receive side, generators first. Raises `InstrumentFault` where one does not read back."""
        for one in self._of((SignalGenerator,), (AudioAnalyser, Voltmeter), roles):
            one.set_start_state()

    def set_transmit(self, emission: Emission, roles: frozenset[str] | None) -> None:
        """Set back what works on the transmit side. Raises `InstrumentFault` where one does not read back."""
        for one in self._of((AudioAnalyser,), READ_TRANSMIT, roles):
            if isinstance(one, ModulationAnalyser):
                one.set_start_state(emission)
            else:
                one.set_start_state()

    def set_next(
        self,
        emission: Emission,
        *,
        before: frozenset[str] | None,
        after: frozenset[str] | None,
        make_room: Callable[[str], None],
    ) -> None:
        """Set back, between two checks of one key-down, what the next one reads by, once it was seen to stand as the one before set it.

        ``before`` and ``after`` are the roles of both. What neither reads by is asked at the end of the side, where nothing has set it
        back. ``make_room`` is told each role before it is spoken to. Raises `InstrumentFault` as `set_transmit` and `confirm_transmit` do.
        """
        kinds = ((AudioAnalyser,), READ_TRANSMIT)
        read_before = self._of(*kinds, before)
        for one in self._of(*kinds, after):
            make_room(next(role for kind, role in _ROLES.items() if isinstance(one, kind)))
            if one in read_before:
                one.confirm_settings()
            if isinstance(one, ModulationAnalyser):
                one.set_start_state(emission)
            else:
                one.set_start_state()

    def confirm_receive(self, roles: frozenset[str] | None) -> None:
        """Raise SettingLost, or NotConfirmed, unless everything on the receive side stands as it was set."""
        self._confirm((Switch, Radio, SignalGenerator), (AudioAnalyser, Voltmeter), roles)

    def confirm_transmit(self, roles: frozenset[str] | None) -> None:
        """Raise SettingLost, or NotConfirmed, unless everything on the transmit side stands as it was set; the unit rests.

        The generators were asked before each press: that they are off belongs to it.
        """
        always = (Switch, Radio, SignalGenerator, AudioAnalyser)
        self._confirm(always, READ_TRANSMIT, roles)

    def _confirm(self, always: Kinds, readers: Kinds, roles: frozenset[str] | None) -> None:
        for one in self._of(always, readers, roles):
            one.confirm_settings()
        self._supply.confirm()

    def _of(self, always: Kinds, readers: Kinds, roles: frozenset[str] | None) -> list[Instrument]:
        kinds = (*always, *(kind for kind in readers if roles is None or _ROLES[kind] in roles))
        return [one for kind in kinds for one in self._instruments.values() if isinstance(one, kind)]
