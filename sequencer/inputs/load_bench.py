"""Loads the bench that a command names, with its profiles and the loss tables it points at."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import field
from pathlib import Path
from typing import Any

from drivers.profiled.profile import Profile
from drivers.text.profile import TextProfile
from sequencer.files.find import file_hash, named_file
from sequencer.files.read import Read, read_file
from sequencer.files.write import is_there
from sequencer.files.yaml_tree import Source
from sequencer.frozen import dataclass
from sequencer.inputs.bench import BenchFile, relative_to
from sequencer.inputs.bench_models import bench_model_of
from sequencer.inputs.bench_parts.loss_table import LoadedTable, load_table
from sequencer.inputs.named_files import complaints_of_named_files
from sequencer.inputs.profiles import LoadedProfile, load_profile, load_text_profile
from sequencer.problems import Complaint, FileProblems, did_you_mean


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedBench:
    """A bench file with its profiles, where it stands, and a hash of its text.

    ``tables`` are the loss tables it names, by path ("receive", "transmit"); the bench carries what they say, and the hash covers them.
    ``lacking`` are the commands, by instrument, that a profile says its instrument has not, each with the place where it says so.
    """

    bench: BenchFile
    source: Source
    path: Path
    profiles: Mapping[str, Profile]
    hash: str
    tables: Mapping[str, LoadedTable] = field(default_factory=dict)
    lacking: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


def load_bench(text: str) -> LoadedBench:
    """Return the bench that ``text`` names, with its profiles. Raises FileProblems with all complaints."""
    path = named_file(text, "bench")
    try:
        read: Read[BenchFile] = read_file(path, bench_model_of)
    except FileProblems as problems:
        raise FileProblems([*problems.complaints, *complaints_of_named_files(path)]) from problems
    profiles: dict[str, Any] = {}
    lacking: dict[str, Mapping[str, str]] = {}
    complaints: list[Complaint] = []
    loaded: dict[tuple[str, str, bool], TextProfile | LoadedProfile] = {}  # each read once, whoever names it
    for name, entry in read.model.instruments.items():
        key = entry.profile, entry.role, entry.driver == "text"
        named = entry.profile, entry.role, path, read.source, ("instruments", name, "profile")
        try:
            if key not in loaded:
                loaded[key] = load_text_profile(*named) if key[2] else load_profile(*named)
        except FileProblems as problems:
            complaints += problems.complaints
            continue
        found = loaded[key]
        if isinstance(found, LoadedProfile):
            profiles[name], lacking[name] = found.profile, found.lacking
        else:
            profiles[name] = found
    tables = _load_tables(read.model, path, read.source, complaints)
    if complaints:
        raise FileProblems(complaints)
    return LoadedBench(
        bench=_with_tables(read.model, tables),
        source=read.source,
        path=path,
        profiles=profiles,
        hash=file_hash(path, *(one.path for one in tables.values())),
        tables=tables,
        lacking=lacking,
    )


def _load_tables(
    bench: BenchFile, path: Path, source: Source, complaints: list[Complaint]
) -> dict[str, LoadedTable]:
    """Return the loss tables that a bench file names; ``complaints`` grows by what is wrong with them."""
    tables: dict[str, LoadedTable] = {}
    paths = bench.paths
    for name, one in (
        ("receive", paths.receive),
        ("transmit", paths.transmit),
        ("notch", paths.notch),
        ("check", paths.check),
    ):
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
        if path.uncertainty_db is None:
            update["uncertainty_db"] = loaded.table.uncertainty_db
        changed[name] = path.model_copy(update=update)
    if not changed:
        return bench
    return bench.model_copy(update={"paths": bench.paths.model_copy(update=changed)})
