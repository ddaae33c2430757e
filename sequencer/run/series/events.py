"""What a series tells whoever listens: screen, log and notifications hear the same events in the same order."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from enum import Enum

from sequencer.frozen import dataclass
from sequencer.run.series.timetable import Timetable
from sequencer.run.series.turn import RunReport, SeriesUnit, Turn
from sequencer.run.status import ExitStatus
from sequencer.units.format import counted


class Ended(Enum):
    """Why a series made no further run."""

    DONE = "all runs were made"
    UNTIL = "another run would not have ended in time"
    STOP_FILE = "the stop file was found"
    PERSON = "the person at the bench ended it"
    SIGNAL = "it was interrupted"
    BENCH_FAILED = "the bench failed or a run could not begin, and trying again did not help"
    UNSAFE = "the bench could not be confirmed safe"
    LOST = "results could not be kept anywhere"
    BATCH = "its batch stopped by its rules"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesBegan:
    """A series begins; ``bench`` says where it is simulated, ``virtual`` that its times are not the wall's."""

    time: datetime
    sequence: str
    bench: str
    units: tuple[SeriesUnit, ...]
    timetable: Timetable
    virtual: bool
    carried: tuple[str, ...] = ()
    """What was done before it was cut short, and what is carried on, a line each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waits:
    """It waits for the next run, or for another try of the last."""

    time: datetime
    turn: Turn
    begins: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class StartsLeftOut:
    """The last run took so long that starts were left out, or ``slept``: the machine slept through them."""

    time: datetime
    count: int
    took_s: float
    slept: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RunBegins:
    """A run begins."""

    time: datetime
    turn: Turn


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCame:
    """A run, or a try of one, is over. ``final``: it is not tried again."""

    time: datetime
    turn: Turn
    report: RunReport
    final: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSkipped:
    """The person at the bench left a unit out."""

    time: datetime
    turn: Turn


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Something beside the runs went wrong, which costs no result: a notification that was not taken, a log that cannot be written."""

    time: datetime
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What a series came to. Of a run that was tried again its last try counts, but for a limit that an earlier one did not meet.

    ``tried_again`` counts the tries before the last, ``before`` the runs that were made before the series was cut short.
    """

    status: ExitStatus = ExitStatus.PASSED
    made: int = 0
    passed: int = 0
    failed: int = 0
    bench_failed: int = 0
    interrupted: int = 0
    tried_again: int = 0
    skipped: int = 0
    left_out: int = 0
    before: int = 0

    def counts(self) -> str:
        """Return in words how many runs went how."""
        said = [
            f"{self.passed} passed",
            f"{self.failed} with limits not met" if self.failed else "",
            f"{self.bench_failed} for which the bench failed" if self.bench_failed else "",
            f"{self.interrupted} interrupted" if self.interrupted else "",
        ]
        beside = [
            f"{self.before} of them before it was cut short" if self.before else "",
            f"{counted(self.tried_again, 'try', 'tries')} made again" if self.tried_again else "",
            f"{counted(self.skipped, 'unit')} left out by the person at the bench" if self.skipped else "",
            f"{counted(self.left_out, 'start')} left out because a run took longer" if self.left_out else "",
        ]
        made = f"{counted(self.made, 'run')}: {', '.join(filter(None, said))}" if self.made else "no run"
        return "; ".join(filter(None, (made, *beside)))


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesEnded:
    """The series is over; ``report`` is that of its last run, None where there was none. ``signal`` names what interrupted it."""

    time: datetime
    why: Ended
    summary: Summary
    report: RunReport | None
    signal: str = ""
    leaves_rest: bool = False
    """Whether the same command makes what is left."""


SeriesEvent = SeriesBegan | Waits | StartsLeftOut | RunBegins | RunCame | UnitSkipped | Trouble | SeriesEnded
SeriesListener = Callable[[SeriesEvent], None]
