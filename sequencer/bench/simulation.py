"""Puts a simulation behind a bench: the specimen on it, and simulated instruments at its addresses."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from drivers.profiled.profile import Profile
from sequencer.bench.stand_in import find_stand_in
from sequencer.bench.translation import Translation
from sequencer.files.dataclass_model import read_dataclass
from sequencer.files.find import file_named_in
from sequencer.files.read import read_utf8
from sequencer.files.shipped import find_file, shipped_folder
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.bench_parts.instrument_roles import Instrument, PowerMeter, SignalGenerator, Supply
from sequencer.inputs.load_bench import LoadedBench
from sequencer.inputs.profiles import read_profile
from sequencer.problems import Complaint, FileProblems, listed, nearest
from sequencer.units.convert import dbm_from_w

if TYPE_CHECKING:
    from sim.bench import SimulatedBench
    from sim.radio.unit import Specimen
    from sim.rf_signal import SourceNoise


def shelf_serials(loaded: LoadedBench) -> list[str]:
    """Return the serials of the specimens of a simulated bench; none for real gear."""
    if not loaded.bench.simulated or loaded.bench.unit is None:
        return []
    return sorted(_shelf(loaded, loaded.bench.unit))


def simulate(
    bench: BenchFile,
    specimen: Specimen,
    *,
    virtual: bool,
    lock: Any = None,
    profiles: Mapping[str, Any] = MappingProxyType({}),
) -> SimulatedBench:
    """Return a simulated bench with the roles, addresses, paths and protection limits of ``bench``.

    Each instrument answers in the words of its profile in ``profiles`` (by instrument), and in those of the shipped one otherwise.
    """
    from sim.bench import Place, SimulatedBench, Wear
    from sim.clock import VirtualClock, WallClock
    from sim.wiring.witness import WitnessLimits

    paths, protection = bench.paths, bench.protection
    supply, meter = bench.with_role("supply"), bench.with_role("power_meter")
    ratings: dict[str, float] = {}
    if paths.transmit is not None:
        ratings |= {"path_rating_w": paths.transmit.rating_w, "load_rating_w": paths.transmit.rating_w}
    if supply is not None and isinstance(supply[1], Supply):
        ratings["supply_v"] = supply[1].max_voltage_v
    if meter is not None and isinstance(meter[1], PowerMeter) and meter[1].max_power_w is not None:
        ratings["meter_rating_dbm"] = dbm_from_w(meter[1].max_power_w)
    simulated = SimulatedBench(
        specimen,
        {
            name: Place(role=entry.role, address=entry.address, noise=_noise_of(entry))
            for name, entry in bench.instruments.items()
        },
        receive_loss_db=dict(paths.receive.loss) if paths.receive is not None else {1e6: 0.0},
        transmit_loss_db=dict(paths.transmit.loss) if paths.transmit is not None else {1e6: 30.0},
        notch_loss_db=dict(paths.notch.loss) if paths.notch is not None else None,
        check_loss_db=dict(paths.check.loss) if paths.check is not None else None,
        audio_joined=paths.check is not None and paths.check.audio == "joined",
        wear=Wear(**bench.worn.model_dump()),
        limits=WitnessLimits(
            receiver_input_dbm=protection.max_receiver_input_dbm,
            key_time_s=protection.max_key_time_s,
            key_duty_percent=protection.key_duty_percent,
            supply_a=protection.max_supply_current_a,
            **ratings,
        ),
        seed=bench.seed,
        connected=bench.connected,
        clock=VirtualClock() if virtual else WallClock(),
        lock=lock,
    )
    for name, profile in profiles.items():
        entry = bench.instruments[name]
        if isinstance(profile, Profile) and (spoken := _spoken(entry.role)).commands != profile.commands:
            simulated.devices[entry.address].language = Translation(profile, spoken)
    return simulated


def _noise_of(entry: Instrument) -> SourceNoise | None:
    """Return the noise that a generator's entry states, which the simulated one has; None where it states none."""
    from sim.rf_signal import SourceNoise

    if not isinstance(entry, SignalGenerator) or (entry.phase_noise_db, entry.far_noise_db) == (None, None):
        return None
    return SourceNoise(near_dbc=entry.phase_noise_db, far_dbc=entry.far_noise_db)


def _spoken(role: str) -> Profile:
    """Return the profile whose words the simulated instruments speak."""
    return read_profile(find_file("scpi-1999", "profile", within=role)).model


def specimen_for(
    loaded: LoadedBench,
    serial: str,
    *,
    dry_run: bool,
    modes: frozenset[str] = frozenset(),
    frequencies_hz: Mapping[int, float] = MappingProxyType({}),
) -> Specimen:
    """Return the specimen on the bench: the one with ``serial`` from its shelf; on a dry run, one that stands in if there is none.

    ``modes`` and ``frequencies_hz`` (by channel) are what the dry run is of: the unit that stands in has them.
    """
    if not loaded.bench.simulated or loaded.bench.unit is None:
        return find_stand_in(serial, modes=modes, frequencies_hz=frequencies_hz)
    if serial and (at_hand := _at_hand(loaded, loaded.bench.unit, serial)) is not None:
        return at_hand
    shelf = _shelf(loaded, loaded.bench.unit)
    if serial in shelf:
        return shelf[serial]
    if dry_run:
        return find_stand_in(serial, modes=modes, frequencies_hz=frequencies_hz)
    alike = nearest(serial, shelf)
    complaint = loaded.source.complain(
        ("unit",),
        f"no specimen with serial {serial!r} lies on this simulated bench",
        allowed=f"a serial of {listed(sorted(shelf))}",
        hint=f"did you mean {alike[0]}?" if alike else "",
    )
    raise FileProblems([complaint])


def _shelf_files(loaded: LoadedBench, unit: str) -> list[Path]:
    folder = loaded.path.parent / unit
    if folder.is_dir():
        return sorted(folder.glob("*.yaml"))
    if shipped := shipped_folder(unit, "unit"):  # a copy of a shipped bench stands elsewhere, and means those
        return shipped
    return [file_named_in(unit, "unit", loaded.path, loaded.source, ("unit",))]


def _at_hand(loaded: LoadedBench, unit: str, serial: str) -> Specimen | None:
    """Return the specimen with ``serial`` if just one file speaks of it: reading all of a shelf takes a tenth of a dry run."""
    from sim.radio.unit import Specimen

    with suppress(FileProblems):  # told of when all are read
        named = [file for file in _shelf_files(loaded, unit) if serial in read_utf8(file)]
        if len(named) == 1:
            specimen = read_dataclass(named[0], Specimen).model
            return specimen if specimen.serial == serial else None
    return None


def _shelf(loaded: LoadedBench, unit: str) -> dict[str, Specimen]:
    """Return every specimen of a shelf by its serial. Raises FileProblems for all that are spoilt, or two of one serial."""
    from sim.radio.unit import Specimen

    shelf: dict[str, Specimen] = {}
    first: dict[str, Path] = {}
    complaints: list[Complaint] = []
    for file in _shelf_files(loaded, unit):
        try:
            read = read_dataclass(file, Specimen)
        except FileProblems as problems:
            complaints += problems.complaints
            continue
        serial = read.model.serial
        if serial in shelf:
            said = f"the serial {serial!r} is {first[serial].name}'s already"
            complaints.append(read.source.complain(("serial",), said, allowed="one file for each serial"))
        shelf[serial] = read.model
        first.setdefault(serial, file)
    if complaints:
        raise FileProblems(complaints)
    return shelf
