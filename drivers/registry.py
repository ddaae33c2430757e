"""Which class drives which role: our own on command profiles, at a prompt or on a line of text, and others.

The others come through the entry points `sequencer.drivers`.

An entry point's name is what a bench file writes after ``driver:``; its object is a class with the constructor of
`drivers.profiled.base.ProfiledInstrument` that subclasses one of the roles.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import entry_points

from drivers.roles import Instrument

PROFILED = {
    "signal_generator": "drivers.profiled.signal_generator:ProfiledSignalGenerator",
    "power_meter": "drivers.profiled.power_meter:ProfiledPowerMeter",
    "modulation_analyser": "drivers.profiled.modulation_analyser:ProfiledModulationAnalyser",
    "audio_analyser": "drivers.profiled.audio_analyser:ProfiledAudioAnalyser",
    "voltmeter": "drivers.profiled.voltmeter:ProfiledVoltmeter",
    "supply": "drivers.profiled.supply:ProfiledSupply",
    "switch": "drivers.profiled.switch:ProfiledSwitch",
    "radio": "drivers.profiled.radio:ProfiledRadio",
    "chamber": "drivers.profiled.chamber:ProfiledChamber",
    "spectrum_analyser": "drivers.profiled.spectrum_analyser:ProfiledSpectrumAnalyser",
}
"""Role to class on a command profile, imported only when a bench has the role."""

OPERATED = {
    "signal_generator": "drivers.operator.sources:OperatorSignalGenerator",
    "power_meter": "drivers.operator.instruments:OperatorPowerMeter",
    "modulation_analyser": "drivers.operator.instruments:OperatorModulationAnalyser",
    "audio_analyser": "drivers.operator.instruments:OperatorAudioAnalyser",
    "voltmeter": "drivers.operator.instruments:OperatorVoltmeter",
    "supply": "drivers.operator.sources:OperatorSupply",
    "switch": "drivers.operator.controls:OperatorSwitch",
    "radio": "drivers.operator.controls:OperatorRadio",
    "chamber": "drivers.operator.chamber:OperatorChamber",
    "spectrum_analyser": "drivers.operator.spectrum_analyser:OperatorSpectrumAnalyser",
}
"""Role to class at a prompt. Constructed with a `Prompter`, not with a link: see `drivers.operator.instruments.Operated`."""

TEXT = {"radio": "drivers.text.radio:TextRadio"}
"""Role to class on a line of text commands. Constructed with a `TextLine` and a `TextProfile`."""

_OWN = {"profile": PROFILED, "operator": OPERATED, "text": TEXT}


def driver_names() -> tuple[str, ...]:
    """Return what a bench file may write after ``driver:``."""
    return (*_OWN, *sorted(point.name for point in entry_points(group="sequencer.drivers")))


def find_driver(driver: str, role: str) -> type[Instrument]:
    """Return the class that drives ``role``. KeyError for an unknown driver or role, TypeError for what is no driver."""
    if driver in _OWN:
        module, _, name = _OWN[driver][role].partition(":")
        found = getattr(import_module(module), name)
    else:
        points = [point for point in entry_points(group="sequencer.drivers") if point.name == driver]
        if not points:
            raise KeyError(f"no driver {driver!r}; there are {', '.join(driver_names())}")
        found = points[0].load()
    if not (isinstance(found, type) and issubclass(found, Instrument)):
        raise TypeError(f"driver {driver!r} is {found!r}, not a class of drivers.roles.Instrument")
    return found
