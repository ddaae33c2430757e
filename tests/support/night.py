"""A night of runs on the simulated bench in virtual time, with faults sprinkled in, and what the process holds before each try."""

from __future__ import annotations

import gc
import os
import random
import threading
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sequencer.cli.run import Asked
from sequencer.cli.unattended.command import series_command
from sequencer.cli.unattended.options import Unattended
from sequencer.planning import parts
from sim.bench import SimulatedBench
from sim.scpi.faults import Fault, FaultKind

ONCE = (FaultKind.TIMEOUT, FaultKind.GARBAGE, FaultKind.DISCONNECT, FaultKind.LATE, FaultKind.STUCK)


@dataclass(frozen=True, slots=True)
class Held:
    """What the process holds; memory as Python traced it (0 where it did not) and as the system sees it."""

    traced_bytes: int
    resident_bytes: int
    objects: int
    files: int
    threads: int
    children: int
    store_bytes: int


@dataclass(slots=True)
class Night:
    """What came of it: what was held before each try, how many faults were put in, what was seen of hazards, and the exit status."""

    held: list[Held] = field(default_factory=list)
    faults: int = 0
    lasting: int = 0
    hazards: list[str] = field(default_factory=list)
    status: int = 0


def _held(store: Path) -> Held:
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text(encoding="utf-8").split()[1])
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="utf-8").split()
    beside = [store.with_name(store.name + ending) for ending in ("", "-wal")]
    return Held(
        traced_bytes=tracemalloc.get_traced_memory()[0] if tracemalloc.is_tracing() else 0,
        resident_bytes=pages * os.sysconf("SC_PAGE_SIZE"),
        objects=len(gc.get_objects()),
        files=len(list(Path("/proc/self/fd").iterdir())),
        threads=threading.active_count(),
        children=len(children),
        store_bytes=sum(one.stat().st_size for one in beside if one.exists()),
    )


@contextmanager
def _sprinkled(night: Night, store: Path, seed: int) -> Iterator[None]:
    """Look before each try, and put a fault into three of ten: one that passes into most, one that stays into some."""
    chance = random.Random(seed)
    make = parts.simulate
    last: list[SimulatedBench] = []

    def simulate(*arguments: Any, **options: Any) -> SimulatedBench:
        night.hazards += [str(hazard) for bench in last for hazard in bench.hazards]
        last.clear()
        night.held.append(_held(store))
        bench = make(*arguments, **options)
        last.append(bench)
        if len(night.held) > 1 and chance.random() < 0.3:
            lasting = chance.random() < 0.2
            device = chance.choice(list(bench.devices.values()))
            kind = FaultKind.DISCONNECT if lasting else chance.choice(ONCE)
            device.faults.add(Fault(kind=kind, skip=chance.randrange(1, 30), times=None if lasting else 1))
            night.faults += 1
            night.lasting += lasting
        return bench

    parts.simulate = simulate  # type: ignore[assignment]
    try:
        yield
    finally:
        parts.simulate = make
        night.hazards += [str(hazard) for bench in last for hazard in bench.hazards]


def spend_night(folder: Path, sequence: str, *, runs: int, every: str, seed: int = 1) -> Night:
    """Make the runs, and return what was held before each try and at the end."""
    night = Night()
    store = folder / "results.sqlite"
    asked = Asked(
        sequence_name=sequence, bench_name="bench", serial="M40-0007", confirmed=True, folder=folder
    )
    with _sprinkled(night, store, seed):
        night.status = series_command(asked, Unattended(repeat=runs, every=every, retries=5), as_json=False)
        night.held.append(_held(store))
    return night
