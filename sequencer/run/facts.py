"""What every row of a run says alike, and how the run was asked for."""

from __future__ import annotations

from datetime import datetime

from sequencer.frozen import dataclass
from sequencer.planning.bench_doubts import Doubt
from sequencer.planning.plan import Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Again:
    """Why checks of an earlier run are repeated: ``run`` is the first of those that repeat each other."""

    run: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluated:
    """The run whose readings a re-evaluation judges anew, when it was (ISO 8601), and the hashes of its files."""

    run: str
    time: str
    sequence_hash: str
    bench_hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """What every row of a run says alike; ``model_named`` is what was given with --model, ``doubts`` speak against the bench."""

    run: str
    time: datetime
    serial: str
    model: str
    simulated: bool
    bench_name: str
    plan: Plan
    again: Again | None = None
    dry_run: bool = False
    model_named: str = ""
    evaluated: Evaluated | None = None
    doubts: tuple[Doubt, ...] = ()
