"""What a run tells whoever listens: screen, store and results table hear the same events in the same order."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Literal

from sequencer.frozen import dataclass
from sequencer.results.model import FaultFacts, Result


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStarted:
    """A run begins; nothing has been sent to the bench yet."""

    run: str
    time: datetime
    serial: str
    model: str
    sequence: str
    bench: str
    simulated: bool
    checks: int
    forecast_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckStarted:
    """A check begins; ``remaining_s`` is about how long it and all that follow take, bench time."""

    index: int
    label: str
    remaining_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StepTaken:
    """A search or an average took one reading; ``remaining_s`` is about how long the run still takes, bench time."""

    index: int
    text: str
    remaining_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultMet:
    """An instrument failed; ``index`` is the check's number, None outside every check."""

    index: int | None
    fault: FaultFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckEnded:
    """A check is done and its results are final; listeners that keep things keep them now."""

    index: int
    label: str
    results: tuple[Result, ...]
    bench_s: float
    remaining_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEnded:
    """The run is over: how (done, interrupted, bench failed), and in what state the bench was left."""

    run: str
    time: datetime
    outcome: str
    bench_safe: bool
    last_line: str
    bench_s: float
    feels: Literal["hot", "cold", ""] = ""
    """Of a chamber whose door must not be opened yet: what its air is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Warned:
    """Something that whoever stands at the bench must know now; it is no fault of this run."""

    text: str


Event = RunStarted | Warned | CheckStarted | StepTaken | FaultMet | CheckEnded | RunEnded
Listener = Callable[[Event], None]
