"""Who works with a station: the operator who scans and answers, and whoever measures its units."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar

from sequencer.frozen import dataclass
from sequencer.run.line.admission import Known
from sequencer.run.line.face import Face, Verdict
from sequencer.run.line.scans import Scan
from sequencer.run.status import ExitStatus
from sequencer.safety.state import Feels

Job = TypeVar("Job")


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A scan, and the turn of the station in which it came (see `Face.turn`)."""

    scan: Scan
    turn: int


class Operator(Protocol):
    """Whoever stands at the station."""

    def show(self, face: Face) -> None:
        """Show a face, at once."""

    def next_arrival(self) -> Arrival | None:
        """Wait for a scan, and return it; None where nobody will scan any more."""

    def choose(self, face: Face) -> str:
        """Show a face with a question and return the key of the answer; `NO` where nobody answers."""

    def write(self, face: Face) -> str | None:
        """Show a face with a question and return the text that was typed; None where nobody types one."""

    def kept(self) -> tuple[Scan, ...]:
        """Return the scans that came and were never taken."""
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitReport:
    """What came of one unit. ``safe`` says whether it may be changed, ``safe_why`` what was read back, or what could not be.

    ``wrong`` says what failed, a line each, ``look_at`` which check to look at first. ``bench`` says what was wrong with the bench.
    ``met`` is that of `Face`.
    """

    serial: str
    model: str
    verdict: Verdict
    status: ExitStatus
    safe: bool
    safe_why: str
    chamber: str = ""
    feels: Feels = ""
    """What the chamber's air reads, and whether it must be waited for: those of `SafeState`."""
    met: str = ""
    wrong: tuple[str, ...] = ()
    look_at: str = ""
    bench: tuple[str, ...] = ()
    run: str = ""
    attempt: int = 0
    """As which attempt of its batch it counts; 0 without a batch."""


class Measuring(Protocol[Job]):
    """Who measures."""

    def known(self, serial: str) -> Known:
        """Return what is known of a serial. Raises nothing: what cannot be looked up is said in it."""

    def prepare(self, serial: str, reason: str) -> Job:
        """Return a unit's run, ready to begin. Raises InputError where it cannot."""

    def carry_on(self, serial: str) -> Job:
        """Return what is left of the run of a unit that was cut short. Raises InputError where it cannot be carried on."""

    def notes_before(self, job: Job) -> tuple[str, ...]:
        """Return what somebody should know as a run begins."""

    def measure(self, job: Job, tell: Callable[[str], None]) -> UnitReport:
        """Make the run; ``tell`` is told what it is at. The bench is left safe, or the report says that it is not."""

    def open_again(self) -> tuple[bool, str]:
        """Open the bench anew and make it safe; returns whether the unit may be changed, and why or why not."""

    def why_stop(self) -> str:
        """Return why the batch stops itself, after the last unit; empty where it goes on."""
