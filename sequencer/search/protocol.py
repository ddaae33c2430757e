"""Define what every search for a crossing shares: the ask, the reading, the answer, and the loop between them.

    search = CurveSearch(target=12.0, window_db=(-130.0, -50.0), accuracy_db=0.5, prior=prior)
    crossing = find_crossing(search, measure)

where ``measure(ask)`` sets ``ask.level_db``, lets ``ask.wait_s`` pass after the level has changed, reads
for ``ask.reading_s`` and returns what it read: a number, or a :class:`NoReading`. The search knows no
instrument, no clock and no file, so that one search serves a SINAD meter, a voltmeter on a signal-meter
line, a lit segment, a squelch or a person's answer.

``CurveSearch`` (curve.py) is for readings that vary smoothly with level; ``SwitchingSearch``
(switching.py) for readings that switch. Not finding a crossing is a status with everything learnt; a
wrong question is :class:`SearchInputError`.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Generic, Protocol, TypeVar

from sequencer.frozen import dataclass


class SearchInputError(ValueError):
    """The question or a reading makes no sense; the text names it, what is allowed and the next move."""


class NoReading(enum.Enum):
    """What an instrument says instead of a number."""

    OVER_RANGE = "over range"
    UNDER_RANGE = "under range"
    NO_MEASUREMENT = "no measurement"


class Status(enum.StrEnum):
    """How a search ended, in words.

    Only ``FOUND``, ``NOT_MONOTONIC`` and ``INTERMITTENT`` carry a level that may be used as the answer.
    """

    FOUND = "found"
    NEVER_REACHED = "never reached"
    ALREADY_PAST = "already past"
    STUCK = "stuck"
    NO_RESPONSE = "no response"
    NOT_MONOTONIC = "not monotonic"
    UNSTABLE = "unstable"
    INTERMITTENT = "intermittent"
    DRIFTING = "drifting"
    SEGMENT_MISSING = "segment missing"
    BUDGET_SPENT = "budget spent"


FOUND_AT_ALL = frozenset({Status.FOUND, Status.NOT_MONOTONIC, Status.INTERMITTENT})


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One reading the search wants.

    ``level_db`` is the level to set, in the dB unit of the search's window (dBm for a generator, dB for
    microphone drive). ``wait_s`` is how long to wait after the level has changed (the generator's own
    settling not included; 0 when the level stays). ``reading_s`` is how long to read. ``purpose`` is a word
    for the screen: ``coarse``, ``near``, ``proof`` or ``again``.
    """

    level_db: float
    wait_s: float
    reading_s: float
    purpose: str = "coarse"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One ask with what was read there: ``value`` is a number or a NoReading, or a bool of a switching reading.

    ``reached_db`` is the level that a reading which lags behind had come to, as its time constants are believed; the level asked where
    nothing lags.
    """

    ask: Ask
    value: object
    reached_db: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """Where a reading crosses its target, and how well that is known.

    ``level_db`` is None when no level is known; with a status other than ``found`` or ``not monotonic`` it
    is the best guess so far. ``half_width_db`` is the half-width of the 95 % interval of the level:
    readings' scatter only, not the instruments' accuracy. ``slope`` is the reading's change per dB of level
    at the crossing, in the reading's unit (None for a switching reading); ``slope_sd`` its standard
    uncertainty, ``slopes_beside`` the slopes over 1 dB below and above it where a curve that bends was weighed.
    ``sd_db`` is the believed scatter of one 0.1 s reading (curve) or of the switching level (switching) in dB of
    level. ``settle_s`` is the time constant believed.
    ``play_db`` is how much higher the level lies where it is approached from below than from above, dB, of a meter that was approached
    from both: 0 for no play, None where it was not looked for or not told. ``step`` is the reading's resolution believed, 0 for none.
    """

    status: Status
    level_db: float | None
    half_width_db: float
    slope: float | None = None
    slope_sd: float | None = None
    slopes_beside: tuple[float, float] | None = None
    sd_db: float = math.nan
    settle_s: float = math.nan
    play_db: float | None = None
    step: float = 0.0
    readings: int = 0
    history: tuple[Reading, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def found(self) -> bool:
        """Whether ``level_db`` may be used as the answer."""
        return self.status in FOUND_AT_ALL

    @property
    def interval_db(self) -> tuple[float, float]:
        """The 95 % interval of the level; (-inf, +inf) when nothing is known of it."""
        if self.level_db is None or not math.isfinite(self.half_width_db):
            return (-math.inf, math.inf)
        return (self.level_db - self.half_width_db, self.level_db + self.half_width_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchingCrossing:
    """The two levels at which a reading switches: on while the level rises, off while it falls.

    ``hysteresis_db`` is the rising level minus the falling level, with the half-width of its 95 % interval.
    A switching level depends on how long each level is held and from where it is approached, so ``dwell_s``
    and ``approach`` belong to the result.
    """

    status: Status
    rising: Crossing | None
    falling: Crossing | None
    hysteresis_db: float | None
    hysteresis_half_width_db: float
    dwell_s: float
    approach: str
    readings: int = 0
    history: tuple[Reading, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def found(self) -> bool:
        """Whether the levels asked for may be used as the answer."""
        return self.status in FOUND_AT_ALL


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """How the reading comes to rest after a change of level.

    ``rise_s`` and ``fall_s`` are first-order time constants of the whole reading (unit and meter) for a
    level that rises or falls, in seconds, 0 or more; ``least_s`` is waited after every change whatever its
    size; ``doubt`` is the standard relative doubt about the time constants (0.25 when measured once on the
    model, 0.5 for a guess). Measure both directions once per model: a slow decay nobody knows of is the
    worst thing that can happen to a search.
    """

    rise_s: float = 0.015
    fall_s: float = 0.015
    least_s: float = 0.03
    doubt: float = 0.25

    def __post_init__(self) -> None:
        for name in ("rise_s", "fall_s", "least_s", "doubt"):
            require_finite(name, getattr(self, name), least=0.0)


Answer_co = TypeVar("Answer_co", covariant=True)
Reading_contra = TypeVar("Reading_contra", contravariant=True)


class Search(Protocol[Reading_contra, Answer_co]):
    """What both searches offer.

    The present ask (None when ended), a place to tell the reading, and the result.
    """

    @property
    def ask(self) -> Ask | None:
        """The reading wanted now, or None when the search has ended."""

    def tell(
        self, reading: Reading_contra, /, *, reading_s: float | None = None, level_db: float | None = None
    ) -> None:
        """Take the reading that answers the present ask.

        ``reading_s`` where it was read for another time than asked, s; ``level_db`` where it was read at another level, by the word of
        what makes the levels.
        """

    @property
    def result(self) -> Answer_co:
        """What is known; final once ``ask`` is None."""


ReadingT = TypeVar("ReadingT")
Found_ = TypeVar("Found_")


@dataclass(frozen=True, slots=True, kw_only=True)
class AsDone(Generic[ReadingT]):
    """A reading that was read for ``reading_s`` s at ``level_db``, not quite as asked: an instrument may offer steps only."""

    value: ReadingT
    reading_s: float
    level_db: float


def find_crossing(
    search: Search[ReadingT, Found_], measure: Callable[[Ask], ReadingT | AsDone[ReadingT]]
) -> Found_:
    """Ask and tell until the search ends, and return its result; what ``measure`` raises passes through."""
    while (ask := search.ask) is not None:
        tell(search, measure(ask))
    return search.result


def tell(search: Search[ReadingT, Found_], reading: ReadingT | AsDone[ReadingT]) -> None:
    """Tell a search its reading, and for how long and at which level it was read where that differs from what was asked."""
    if isinstance(reading, AsDone):
        search.tell(reading.value, reading_s=reading.reading_s, level_db=reading.level_db)
    else:
        search.tell(reading)


def as_read(ask: Ask, reading_s: float | None, level_db: float | None = None) -> Ask:
    """Return the ask as it was carried out: read for ``reading_s``, at ``level_db``, where that is known to differ."""
    return replace(
        ask,
        reading_s=ask.reading_s if reading_s is None else reading_s,
        level_db=ask.level_db if level_db is None else require_finite("level_db", level_db),
    )


def require_finite(name: str, number: float, *, least: float = -math.inf, above: float = -math.inf) -> float:
    """Return ``number`` if it is finite, at least ``least`` and greater than ``above``.

    Raise SearchInputError naming it otherwise.
    """
    if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
        raise SearchInputError(f"{name} is {number!r}; it must be a finite number.")
    if number < least:
        raise SearchInputError(f"{name} is {number:g}; it must be {least:g} or more.")
    if number <= above:
        raise SearchInputError(f"{name} is {number:g}; it must be greater than {above:g}.")
    return float(number)


def require_window(window_db: tuple[float, float]) -> tuple[float, float]:
    """Return the window as (low, high) floats; raise SearchInputError unless low < high, both finite."""
    if len(window_db) != 2:
        raise SearchInputError(f"window_db has {len(window_db)} numbers; it must be (low, high).")
    low = require_finite("window_db low", window_db[0])
    high = require_finite("window_db high", window_db[1])
    if low >= high:
        raise SearchInputError(
            f"window_db ({low:g}, {high:g}) is empty; low must be below high. "
            "Widen the range of levels allowed."
        )
    return low, high
