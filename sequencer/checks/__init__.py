"""The checks: one file each, with its settings, its procedure and its results, in `transmit`, `receive`, `bench` and `unit`.

A user's own check arrives through the entry-point group ``sequencer.checks``: its name is the check's name, its object a
subclass of `sequencer.checks.base.Check`.

Imports safety, search, dsp, uncertainty, analysis (for what a bench found before) and the models of inputs; no bench that it could open,
no plan, no store.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from typing import Any, get_args

from sequencer.checks.check import Check, Side
from sequencer.checks.settings import CheckSettings
from sequencer.problems import Complaint, FileProblems

GROUP = "sequencer.checks"

SHIPPED = {
    "confirm": "sequencer.checks.unit.confirm:Confirm",
    "adjust": "sequencer.checks.unit.adjust:Adjust",
    "enter_reading": "sequencer.checks.unit.enter_reading:EnterReading",
    "record_audio": "sequencer.checks.unit.record_audio:RecordAudio",
    "path_loss": "sequencer.checks.bench.path_loss:PathLoss",
    "bench_check": "sequencer.checks.bench.bench_check:BenchCheck",
    "golden_unit": "sequencer.checks.bench.golden_unit:GoldenUnit",
    "connection_repeatability": "sequencer.checks.bench.connection_repeatability:ConnectionRepeatability",
    "channel_memory": "sequencer.checks.unit.channel_memory:ChannelMemory",
    "carrier_power": "sequencer.checks.transmit.carrier_power:CarrierPower",
    "modulation_depth": "sequencer.checks.transmit.modulation_depth:ModulationDepth",
    "microphone_sensitivity": "sequencer.checks.transmit.microphone_sensitivity:MicrophoneSensitivity",
    "transmit_distortion": "sequencer.checks.transmit.transmit_distortion:TransmitDistortion",
    "residual_modulation": "sequencer.checks.transmit.residual_modulation:ResidualModulation",
    "audio_response": "sequencer.checks.transmit.audio_response:AudioResponse",
    "power_against_supply": "sequencer.checks.transmit.power_against_supply:PowerAgainstSupply",
    "supply_current": "sequencer.checks.transmit.supply_current:SupplyCurrent",
    "channel_sweep": "sequencer.checks.transmit.channel_sweep:ChannelSweep",
    "ssb_suppression": "sequencer.checks.transmit.ssb_suppression:SsbSuppression",
    "frequency_error": "sequencer.checks.transmit.frequency_error:FrequencyError",
    "peak_deviation": "sequencer.checks.transmit.peak_deviation:PeakDeviation",
    "adjacent_channel_power": "sequencer.checks.transmit.adjacent_channel_power:AdjacentChannelPower",
    "occupied_bandwidth": "sequencer.checks.transmit.occupied_bandwidth:OccupiedBandwidth",
    "harmonics": "sequencer.checks.transmit.harmonics:Harmonics",
    "spurious_emissions": "sequencer.checks.transmit.spurious_emissions:SpuriousEmissions",
    "signalling_sent": "sequencer.checks.transmit.signalling_sent:SignallingSent",
    "power_over_time": "sequencer.checks.transmit.power_over_time:PowerOverTime",
    "transient": "sequencer.checks.transmit.transient:Transient",
    "time_to_power": "sequencer.checks.transmit.time_to_power:TimeToPower",
    "sensitivity": "sequencer.checks.receive.sensitivity:Sensitivity",
    "squelch": "sequencer.checks.receive.squelch:Squelch",
    "receiver_emissions": "sequencer.checks.receive.receiver_emissions:ReceiverEmissions",
    "signalling_received": "sequencer.checks.receive.signalling_received:SignallingReceived",
    "receive_distortion": "sequencer.checks.receive.receive_distortion:ReceiveDistortion",
    "audio_output": "sequencer.checks.receive.receive_distortion:AudioOutput",
    "sinad": "sequencer.checks.receive.sinad:Sinad",
    "signal_to_noise": "sequencer.checks.receive.signal_to_noise:SignalToNoise",
    "receive_audio_response": "sequencer.checks.receive.receive_audio_response:ReceiveAudioResponse",
    "hum_and_noise": "sequencer.checks.receive.hum_and_noise:HumAndNoise",
    "s9_point": "sequencer.checks.receive.s9_point:S9Point",
    "agc_span": "sequencer.checks.receive.agc_span:AgcSpan",
    "selectivity": "sequencer.checks.receive.selectivity:Selectivity",
    "blocking": "sequencer.checks.receive.blocking:Blocking",
    "spurious_response": "sequencer.checks.receive.spurious_response:SpuriousResponse",
    "intermodulation": "sequencer.checks.receive.intermodulation:Intermodulation",
    "co_channel_rejection": "sequencer.checks.receive.co_channel_rejection:CoChannelRejection",
    "s_meter_curve": "sequencer.checks.receive.s_meter_curve:SMeterCurve",
}


def check_names() -> tuple[str, ...]:
    """Return the names a sequence may give: of the shipped checks, then of those that installed packages add. Imports none of them.

    Raises FileProblems that names the package whose check takes a shipped name.
    """
    return (*SHIPPED, *_packaged())


@cache
def find_check(name: str) -> Check[Any]:
    """Return the check called ``name``; only its own module is imported. KeyError for an unknown name.

    Raises FileProblems that names the package whose check cannot be used.
    """
    if name in SHIPPED:
        return _shipped(name)
    return _from_package(_packaged()[name], taken=SHIPPED)


@cache
def all_checks() -> dict[str, Check[Any]]:
    """Return every check by name: the shipped ones, then those of installed packages, which may not take a shipped name.

    Raises FileProblems that names the package whose check cannot be used: what is installed and broken is not passed over.
    """
    found = {name: find_check(name) for name in SHIPPED}
    complaints: list[Complaint] = []
    for point in entry_points(group=GROUP):
        try:
            found[point.name] = _from_package(point, taken=found)
        except FileProblems as problems:
            complaints += problems.complaints
    if complaints:
        raise FileProblems(complaints)
    return found


def _shipped(name: str) -> Check[Any]:
    module, _, attribute = SHIPPED[name].partition(":")
    check: Check[Any] = getattr(import_module(module), attribute)()
    return check


@cache
def _packaged() -> dict[str, EntryPoint]:
    points = list(entry_points(group=GROUP))
    if twice := [_broken(point, _taken(point.name)) for point in points if point.name in SHIPPED]:
        raise FileProblems(twice)
    return {point.name: point for point in points}


def _from_package(point: EntryPoint, *, taken: Iterable[str]) -> Check[Any]:
    try:
        return _proved(point.name, point.load()(), taken=taken)
    except Exception as error:  # whatever a package does wrong while it is imported
        raise FileProblems([_broken(point, error)]) from error


def _proved(name: str, check: Any, *, taken: Iterable[str]) -> Check[Any]:
    """Return a package's check if a sequence can name it, the plan can prove it and the runner can run it; else TypeError."""
    if name in taken:
        raise _taken(name)
    if not isinstance(check, Check):
        raise TypeError(f"{type(check).__name__} is not a subclass of sequencer.checks.base.Check")
    if check.name != name:
        raise TypeError(f"its name is {check.name!r}, and it is installed as {name!r}")
    if check.side not in get_args(Side):
        raise TypeError(f"its side is {check.side!r}; allowed: {', '.join(get_args(Side))}")
    if not issubclass(check.settings, CheckSettings):
        raise TypeError("its settings are not a subclass of sequencer.checks.base.CheckSettings")
    if get_args(check.settings.model_fields["check"].annotation) != (name,):
        raise TypeError(f"its settings must say: check: Literal[{name!r}]")
    return check


def _taken(name: str) -> TypeError:
    return TypeError(f"there is a check {name!r} already")


def _broken(point: EntryPoint, error: Exception) -> Complaint:
    package = point.dist.name if point.dist is not None else "an installed package"
    return Complaint(
        file=f"{package} ({point.value})",
        message=f"its check {point.name!r} cannot be used: {type(error).__name__}: {error}",
        allowed=f"a subclass of sequencer.checks.base.Check under the entry-point group {GROUP}",
        hint="repair the package or remove it",
    )
