"""What an open bench is made from to run a sequence: the bench file, and on a dry run the simulation behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.bench.open_bench import BenchParts
from sequencer.bench.simulation import shelf_serials, simulate, specimen_for
from sequencer.inputs.bench_parts.bench_health import bench_serial
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load import LoadedSequence

if TYPE_CHECKING:
    from sim.radio.unit import Specimen


def bench_parts(
    loaded: LoadedBench, *, serial: str, dry_run: bool, sequence: LoadedSequence | None = None
) -> BenchParts:
    """Return what an open bench is made from; a dry run puts a simulated instrument behind every address.

    ``sequence`` is what a dry run is of: the unit that stands in has its modes and channels.
    """
    simulation = None
    if dry_run or loaded.bench.visa == "sim":
        specimen = _specimen(loaded, serial, dry_run=dry_run, sequence=sequence)
        virtual = dry_run or loaded.bench.clock == "virtual"
        simulation = simulate(loaded.bench, specimen, virtual=virtual, profiles=loaded.profiles)
    return BenchParts(bench=loaded.bench, profiles=loaded.profiles, simulation=simulation, serial=serial)


def put_on_bench(
    parts: BenchParts, loaded: LoadedBench, *, serial: str, dry_run: bool, sequence: LoadedSequence | None
) -> None:
    """Do on a simulated bench what a person does between two units: take one off, connect ``serial``. Raises FileProblems without it."""
    if parts.simulation is not None:
        parts.simulation.change_unit(_specimen(loaded, serial, dry_run=dry_run, sequence=sequence))


def _specimen(
    loaded: LoadedBench, serial: str, *, dry_run: bool, sequence: LoadedSequence | None
) -> Specimen:
    return specimen_for(
        loaded,
        _on_the_bench(loaded, serial),
        dry_run=dry_run,
        modes=sequence.modes if sequence is not None else frozenset(),
        frequencies_hz=sequence.frequencies_hz if sequence is not None else {},
    )


def _on_the_bench(loaded: LoadedBench, serial: str) -> str:
    """Return the specimen on a simulated bench: whatever lies there first, where the bench itself is measured."""
    if serial != bench_serial(loaded.bench.bench):
        return serial
    return next(iter(shelf_serials(loaded)), serial)
