"""What a bench does now, as the process that works it last said: for whoever watches, never for whoever measures.

It is said in passing. What a run found stands in its results; here stands only what somebody wants to read while it goes on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, fields
from datetime import datetime
from typing import Any, Literal, Self

from sequencer.frozen import dataclass

Phase = Literal["opening", "measuring", "waiting", "asking", "stopped", "ended"]
PHASES: tuple[Phase, ...] = ("opening", "measuring", "waiting", "asking", "stopped", "ended")
BEAT_S = 5.0
"""How often a process that works a bench says that it is there."""
SILENT_S = 20.0
"""After so long without a word a process counts as gone: four beats, so that one lost write calls nobody to the bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """An instrument of the bench whose calibration runs out: its name there, and the date (ISO 8601)."""

    name: str
    due: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Doing:
    """What is done at a bench.

    ``check`` is under way, the ``number``-th of ``checks`` (from 1; 0 before the first). ``remaining_s`` is about how long the run still
    takes, bench time; None where nobody knows. ``told`` is when the run last said something.

    ``safe`` is None while a unit is measured, and as long as nothing was read back; ``safe_why`` says what was, or what could not be.
    ``verdict`` is that of ``serial`` in the words of the station's screen, empty where there is none; ``wrong`` says what failed, a line
    each. ``fault`` is the last fault of an instrument in this session, ``fault_at`` when.
    """

    program: str
    phase: Phase
    told: datetime
    serial: str = ""
    model: str = ""
    sequence: str = ""
    run: str = ""
    batch: str = ""
    check: str = ""
    number: int = 0
    checks: int = 0
    remaining_s: float | None = None
    safe: bool | None = None
    safe_why: str = ""
    feels: Literal["hot", "cold", ""] = ""
    """Of a chamber whose door must not be opened yet: what its air is."""
    verdict: str = ""
    met: str = ""
    wrong: tuple[str, ...] = ()
    look_at: str = ""
    fault: str = ""
    fault_at: datetime | None = None
    counts: str = ""
    notes: tuple[str, ...] = ()
    question: tuple[str, ...] = ()
    calibrated: tuple[Calibrated, ...] = ()

    def as_plain(self) -> dict[str, Any]:
        """Return it for JSON; times are ISO 8601 with offset."""
        plain = asdict(self)
        for name in ("told", "fault_at"):
            at = plain[name]
            plain[name] = None if at is None else at.isoformat(timespec="milliseconds")
        return plain

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Self:
        """Return what `as_plain` was made of; a name that this sequencer does not know is passed over.

        Raises ValueError, TypeError or KeyError.
        """
        known = {one.name for one in fields(cls)}
        facts: dict[str, Any] = {
            name: tuple(one) if isinstance(one, list) else one for name, one in plain.items() if name in known
        }
        facts["told"] = datetime.fromisoformat(facts["told"])
        if facts.get("fault_at") is not None:
            facts["fault_at"] = datetime.fromisoformat(facts["fault_at"])
        facts["calibrated"] = tuple(
            Calibrated(name=str(one["name"]), due=str(one["due"])) for one in facts.get("calibrated", ())
        )
        if facts["phase"] not in PHASES:
            raise ValueError(f"no phase {facts['phase']!r}")
        return cls(**facts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked:
    """Which bench a process works: ``id`` is the session's own, ``machine`` and ``process`` where it runs; ``station`` may be empty."""

    id: str
    bench: str
    machine: str
    process: int
    station: str = ""
    simulated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchNow:
    """A bench, what is done there as last said, and ``silent_s``, how long ago its process last gave a sign, by the store's clock.

    ``ended``: the process said that it was over. ``silent_s`` is below 0 where the clock that ``beat_utc_s`` was read from is ahead.
    ``apart_s`` is how far that clock is behind (above 0) or ahead of the reader's, as far as is known; ``is_sure``: ``silent_s`` rests on
    no other clock than the reader's. ``is_by_server``: the database server's clock stands for the reader's in all that.
    """

    worked: Worked
    doing: Doing
    ended: bool
    silent_s: float
    beat_utc_s: float = 0.0
    apart_s: float = 0.0
    is_sure: bool = True
    is_by_server: bool = False

    @property
    def is_gone(self) -> bool:
        """Whether the process neither ended in words nor gives a sign any more: it was killed, or its machine or line is down."""
        return not self.ended and self.silent_s > SILENT_S and self.is_sure

    @property
    def is_awaited(self) -> bool:
        """Whether its last sign is old by another clock, and the reader has not yet waited long enough for the next."""
        return not self.ended and self.silent_s > SILENT_S and not self.is_sure
