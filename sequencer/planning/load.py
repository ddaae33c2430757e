"""Loads what a command names: sequence, plan, bench, profiles, specimen; and puts a simulation behind a bench."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivers.profiled.profile import Profile, find_faults
from drivers.text.profile import TextProfile, find_text_faults
from sequencer.bench.open_bench import BenchParts
from sequencer.bench.stand_in import find_stand_in
from sequencer.files.dataclass_model import read_dataclass
from sequencer.files.read import Read, read_file, read_utf8
from sequencer.files.shipped import Kind, find_file
from sequencer.files.write import is_there
from sequencer.files.yaml_tree import Source
from sequencer.inputs.bench import BenchFile, PowerMeter, Supply, relative_to
from sequencer.inputs.channel_plan import ChannelPlan, read_plan
from sequencer.inputs.loss_table import LoadedTable, load_table
from sequencer.planning.sequence import Sequence, sequence_model
from sequencer.problems import Complaint, FileProblems, did_you_mean, listed, nearest

if TYPE_CHECKING:
    from sim.bench import SimulatedBench
    from sim.radio.unit import Specimen


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSequence:
    """A sequence file with its plan, where it stands, and a hash of its text."""

    sequence: Sequence
    source: Source
    path: Path
    plan: ChannelPlan | None
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedBench:
    """A bench file with its profiles, where it stands, and a hash of its text.

    ``tables`` are the loss tables it names, by path ("receive", "transmit"); the bench carries what they say, and the hash covers them.
    """

    bench: BenchFile
    source: Source
    path: Path
    profiles: Mapping[str, Profile]
    hash: str
    tables: Mapping[str, LoadedTable] = field(default_factory=dict)


def load_sequence(text: str) -> LoadedSequence:
    """Return the sequence that ``text`` names: a path, or a shipped one. Raises FileProblems with all complaints."""
    path = _named(text, "sequence")
    read = read_file(path, sequence_model())
    plan = None
    if read.model.channels is not None:
        plan = read_plan(_find(read.model.channels, "plan", path, read.source, ("channels",)))
    return LoadedSequence(sequence=read.model, source=read.source, path=path, plan=plan, hash=_hash(path))


def load_bench(text: str) -> LoadedBench:
    """Return the bench that ``text`` names, with its profiles. Raises FileProblems with all complaints."""
    path = _named(text, "bench")
    read: Read[BenchFile] = read_file(path, BenchFile)
    profiles: dict[str, Any] = {}
    complaints: list[Complaint] = []
    for name, entry in read.model.instruments.items():
        try:
            profiles[name] = (_load_text_profile if entry.driver == "text" else _load_profile)(
                entry.profile, entry.role, path, read.source, ("instruments", name, "profile")
            )
        except FileProblems as problems:
            complaints += problems.complaints
    tables = _load_tables(read.model, path, read.source, complaints)
    if complaints:
        raise FileProblems(complaints)
    return LoadedBench(
        bench=_with_tables(read.model, tables),
        source=read.source,
        path=path,
        profiles=profiles,
        hash=_hash(path, *(one.path for one in tables.values())),
        tables=tables,
    )


def _load_tables(
    bench: BenchFile, path: Path, source: Source, complaints: list[Complaint]
) -> dict[str, LoadedTable]:
    """Return the loss tables that a bench file names; ``complaints`` grows by what is wrong with them."""
    tables: dict[str, LoadedTable] = {}
    for name, one in (("receive", bench.paths.receive), ("transmit", bench.paths.transmit)):
        if one is None or one.table is None:
            continue
        at = ("paths", name, "loss")
        file = relative_to(path, one.table)
        if not is_there(file):
            complaints.append(
                source.complain(
                    at,
                    f"no such loss table: '{file}'",
                    found=one.table,
                    allowed="losses such as {27 MHz: 0.42 dB}, or a table that path_loss wrote, beside the bench file",
                    hint=did_you_mean(file.name, _names_beside(file)),
                )
            )
            continue
        try:
            tables[name] = load_table(file)
        except FileProblems as problems:
            complaints += problems.complaints
            continue
        if tables[name].table.simulated and not bench.simulated:
            complaints.append(
                source.complain(
                    at,
                    "this loss table was measured on a simulated bench, and stands for no real cable",
                    found=one.table,
                    allowed="a table measured on this bench",
                )
            )
    return tables


def _names_beside(file: Path) -> list[str]:
    with suppress(OSError, ValueError):
        return [one.name for one in file.parent.iterdir()][:1000]
    return []


def _with_tables(bench: BenchFile, tables: Mapping[str, LoadedTable]) -> BenchFile:
    """Return the bench with the losses of its tables in place; an uncertainty in the bench file holds against a table's."""
    changed: dict[str, Any] = {}
    for name, loaded in tables.items():
        path = getattr(bench.paths, name)
        update: dict[str, Any] = {"loss_or_table": dict(sorted(loaded.table.loss.items()))}
        if "uncertainty_db" not in path.model_fields_set:
            update["uncertainty_db"] = loaded.table.uncertainty_db
        changed[name] = path.model_copy(update=update)
    if not changed:
        return bench
    return bench.model_copy(update={"paths": bench.paths.model_copy(update=changed)})


def bench_parts(
    loaded: LoadedBench, *, serial: str, dry_run: bool, sequence: LoadedSequence | None = None
) -> BenchParts:
    """Return what an open bench is made from; a dry run puts a simulated instrument behind every address.

    ``sequence`` is what a dry run is of: the unit that stands in has its modes and channels.
    """
    simulation = None
    if dry_run or loaded.bench.simulated:
        specimen = specimen_for(loaded, serial, dry_run=dry_run, sequence=sequence)
        simulation = simulate(loaded.bench, specimen, virtual=dry_run or loaded.bench.clock == "virtual")
    return BenchParts(bench=loaded.bench, profiles=loaded.profiles, simulation=simulation)


def shelf_serials(loaded: LoadedBench) -> list[str]:
    """Return the serials of the specimens of a simulated bench; none for real gear."""
    if not loaded.bench.simulated or loaded.bench.unit is None:
        return []
    return sorted(_shelf(loaded, loaded.bench.unit))


def simulate(bench: BenchFile, specimen: Specimen, *, virtual: bool, lock: Any = None) -> SimulatedBench:
    """Return a simulated bench with the roles, addresses, paths and protection limits of ``bench``."""
    from sim.bench import Place, SimulatedBench
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
        from sequencer.units.convert import dbm_from_w

        ratings["meter_rating_dbm"] = dbm_from_w(meter[1].max_power_w)
    return SimulatedBench(
        specimen,
        {name: Place(role=entry.role, address=entry.address) for name, entry in bench.instruments.items()},
        receive_loss_db=dict(paths.receive.loss) if paths.receive is not None else {1e6: 0.0},
        transmit_loss_db=dict(paths.transmit.loss) if paths.transmit is not None else {1e6: 30.0},
        limits=WitnessLimits(
            receiver_input_dbm=protection.max_receiver_input_dbm,
            key_time_s=protection.max_key_time_s,
            key_duty_percent=protection.key_duty_percent,
            supply_a=protection.max_supply_current_a,
            **ratings,
        ),
        seed=bench.seed,
        clock=VirtualClock() if virtual else WallClock(),
        lock=lock,
    )


def specimen_for(
    loaded: LoadedBench, serial: str, *, dry_run: bool, sequence: LoadedSequence | None = None
) -> Specimen:
    """Return the specimen on the bench: the one with ``serial`` from its shelf; on a dry run, one that stands in if there is none."""
    if not loaded.bench.simulated or loaded.bench.unit is None:
        return find_stand_in(sequence, serial)
    if serial and (at_hand := _at_hand(loaded, loaded.bench.unit, serial)) is not None:
        return at_hand
    shelf = _shelf(loaded, loaded.bench.unit)
    if serial in shelf:
        return shelf[serial]
    if dry_run:
        return find_stand_in(sequence, serial)
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
    return [_find(unit, "unit", loaded.path, loaded.source, ("unit",))]


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


def _load_profile(name: str, role: str, bench: Path, source: Source, at: tuple[str, ...]) -> Profile:
    try:
        path = find_file(name, "profile", beside=bench, within=role)
    except FileProblems as problems:
        raise FileProblems([_pointing(problems, source, at)]) from problems
    read = read_dataclass(path, Profile)
    wrong = [
        read.source.complain(place, found, allowed=allowed, hint=_hint(found, allowed), key=len(place) > 1)
        for place, found, allowed in find_faults(read.model)
    ]
    if read.model.role != role and not wrong:
        wrong.append(
            read.source.complain(
                ("role",), f"this profile is for a {read.model.role}", allowed=f"a profile for a {role}"
            )
        )
    if wrong:
        raise FileProblems(wrong)
    return read.model


def _load_text_profile(name: str, role: str, bench: Path, source: Source, at: tuple[str, ...]) -> TextProfile:
    try:
        path = find_file(name, "profile", beside=bench, within=role)
    except FileProblems as problems:
        raise FileProblems([_pointing(problems, source, at)]) from problems
    read = read_dataclass(path, TextProfile)
    wrong = [
        read.source.complain(place, found, allowed=allowed)
        for place, found, allowed in find_text_faults(read.model)
    ]
    if wrong:
        raise FileProblems(wrong)
    return read.model


def _named(text: str, kind: Kind) -> Path:
    """Return the file a command names; what is there but is no ordinary file is refused as that, not as missing."""
    try:
        return find_file(text, kind)
    except FileProblems:
        with suppress(OSError, ValueError):  # too long a name, or a NUL in it: no such file
            if text.strip() and Path(text).exists():
                read_utf8(text)
        raise


def _hint(found: str, allowed: str) -> str:
    words = found.split("'")
    if not allowed.startswith("one of ") or len(words) < 3:
        return ""
    alike = nearest(words[1], allowed.removeprefix("one of ").split(", "))
    return f"did you mean '{alike[0]}'?" if alike else ""


def _find(text: str, kind: Kind, beside: Path, source: Source, at: tuple[str, ...]) -> Path:
    try:
        return find_file(text, kind, beside=beside)
    except FileProblems as problems:
        raise FileProblems([_pointing(problems, source, at)]) from problems


def _pointing(problems: FileProblems, source: Source, at: tuple[str, ...]) -> Complaint:
    first = problems.complaints[0]
    return source.complain(
        at, f"{first.message}: {first.found!r}", found=first.found, allowed=first.allowed, hint=first.hint
    )


def _hash(*paths: Path) -> str:
    return hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()[:16]
