"""What a series makes and what came of it: a unit, a turn of it, and the report of one run."""

from __future__ import annotations

from sequencer.frozen import dataclass
from sequencer.run.status import ExitStatus


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesUnit:
    """A unit of the series; ``forecast_s`` is what its plan takes, bench time."""

    serial: str
    forecast_s: float
    model: str = ""
    comment: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A run about to be made: ``number`` of ``of`` (None: no end is set), counted from 1, and which try of it, counted from 1."""

    number: int
    of: int | None
    attempt: int
    unit: SeriesUnit

    def __str__(self) -> str:
        """Return which run it is, as people count: `run 3 of 10, try 2`."""
        which = f"run {self.number}" + (f" of {self.of}" if self.of is not None else "")
        return which + (f", try {self.attempt}" if self.attempt > 1 else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunReport:
    """What came of one run, in facts that decide what follows and in words for those who are told.

    ``wrong`` says what did not meet its limits or was not measured, ``faults`` which instruments failed (with address and next move), a
    line each. ``try_again``: the bench kept something from being measured. ``bench_failed``: an instrument or the run itself failed.
    ``batch_stopped``: why its batch stops with it. ``limit_failed``: a limit was not met, whatever else went wrong.
    ``lost``: results stand nowhere. ``alike`` is equal for two runs that went wrong in the same way.
    """

    status: ExitStatus
    verdict: str
    serial: str
    run: str = ""
    model: str = ""
    sequence: str = ""
    bench: str = ""
    simulated: bool = False
    wrong: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    safe: bool = True
    last_line: str = ""
    bench_s: float = 0.0
    table: str = ""
    store: str = ""
    try_again: bool = False
    bench_failed: bool = False
    limit_failed: bool = False
    lost: bool = False
    batch_stopped: str = ""
    alike: tuple[str, ...] = ()
