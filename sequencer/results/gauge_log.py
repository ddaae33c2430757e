"""What a gauge study has measured so far: a file beside the results, a line for each measurement as soon as it is over.

The lines are those of a journal: numbered, and each with a checksum that continues the one before. A measurement is announced with its
run's name before it begins, so that one whose end was not written down is found in the store.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Self

from sequencer.files.ordinary import is_there, read_ordinary
from sequencer.frozen import dataclass
from sequencer.problems import FileProblems, about_file
from sequencer.results.journal_lines import make_line, read_around
from sequencer.results.model import Result
from sequencer.results.text import value_in_words
from sequencer.uncertainty.decision import Decision

ENDING = ".gauge"
FORMAT = 1
LARGEST_BYTES = 64 * 1024 * 1024
_ALLOWED = "the name of a study that was begun, or the file it is kept in"


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeReading:
    """One result of one measurement: what, its value (None: not measured, and ``note`` says why), U and limits in ``unit``."""

    check: str
    quantity: str
    channel: int | None
    axis_value: float | None
    value: float | None
    unit: str
    uncertainty: float | None
    lower_limit: float | None
    upper_limit: float | None
    note: str = ""

    @classmethod
    def of(cls, result: Result) -> Self:
        """Return what of a result counts in a study."""
        return cls(
            check=result.check,
            quantity=result.quantity,
            channel=result.channel,
            axis_value=result.axis_value,
            value=result.value if result.is_measured else None,
            unit=result.unit,
            uncertainty=result.uncertainty,
            lower_limit=result.lower_limit,
            upper_limit=result.upper_limit,
            note="" if result.is_measured else "; ".join(filter(None, (_bound_words(result), result.note))),
        )


def _bound_words(result: Result) -> str:
    """Return that a result is a bound, which no study takes; nothing of every other."""
    return f"{value_in_words(result)} is a bound, and no reading" if result.bound else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCell:
    """A measurement that was made: its number in the plan, of which unit by whom, and what it came to."""

    number: int
    unit: str
    operator: str
    trial: int
    run: str
    readings: tuple[GaugeReading, ...]

    @property
    def is_whole(self) -> bool:
        """Whether it has readings, and each of them a value."""
        return bool(self.readings) and all(one.value is not None for one in self.readings)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeHead:
    """What a study is: as planned, with which files, on which bench."""

    gauge: str
    units: tuple[str, ...]
    operators: tuple[str, ...]
    trials: int
    order: str
    seed: int
    checks: tuple[str, ...]
    sequence: str
    sequence_hash: str
    bench: str
    bench_hash: str
    simulated: bool

    def as_plain(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {name: getattr(self, name) for name in _HEAD}


_HEAD = tuple(GaugeHead.__dataclass_fields__)
_LISTS = ("units", "operators", "checks")


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeRecord:
    """What is kept of a study: of each measurement the last that was made.

    ``begun``: number and run of what was announced, and whose end is not written down, or is on a damaged line. ``damaged``: which lines
    are, from 1. ``ended_early``: whether somebody ended it before it was whole.
    """

    head: GaugeHead
    cells: Mapping[int, KeptCell]
    begun: tuple[tuple[int, str], ...] = ()
    damaged: tuple[int, ...] = ()
    ended_early: bool = False
    good_bytes: int = 0
    lost_bytes: int = 0
    lines: int = 0
    last_sum: int = 0

    @property
    def planned(self) -> int:
        """How many measurements the study has."""
        return len(self.head.units) * len(self.head.operators) * self.head.trials

    @property
    def measured(self) -> int:
        """How many of them are made."""
        return sum(cell.is_whole for cell in self.cells.values())

    @property
    def is_whole(self) -> bool:
        """Whether all are made."""
        return self.measured == self.planned


def gauge_path(folder: Path, name: str) -> Path:
    """Return where a study of that name is kept."""
    return folder / f"{re.sub(r'[^A-Za-z0-9_-]', '-', name).casefold()}{ENDING}"


def read_gauge(path: Path) -> GaugeRecord:
    """Return what is kept of a study. Raises FileProblems for what is no such file."""
    if not is_there(path):
        raise about_file(path, "no gauge study is kept here", allowed=_ALLOWED)
    content = read_ordinary(path, kind=_ALLOWED, most_bytes=LARGEST_BYTES, too_large="for a gauge study")
    found = read_around(content)
    try:
        head = _head(found.lines[0])
        cells: dict[int, KeptCell] = {}
        begun: dict[int, str] = {}
        for line in found.lines[1:]:
            if line["kind"] == "begins":
                begun[int(line["cell"])] = str(line["run"])
            elif line["kind"] == "cell":
                cell = _cell(line)
                cells[cell.number] = cell
                begun.pop(cell.number, None)
            elif line["kind"] == "left":
                begun.pop(int(line["cell"]), None)
        for seems in found.unsure:  # its run's name alone: the store must have that run, of that unit
            number, run = seems.get("cell"), seems.get("run")
            if type(number) is int and isinstance(run, str) and number not in cells:
                begun.setdefault(number, run)
        ended = any(line["kind"] == "ended" for line in found.lines)
    except (IndexError, KeyError, TypeError, ValueError) as error:
        raise about_file(
            path,
            "this is no gauge study, or a damaged one",
            allowed=f"a file *{ENDING} that 'sequencer gauge' wrote",
            hint="the measurements stand in the store too: 'sequencer results'",
        ) from error
    return GaugeRecord(
        head=head,
        cells=cells,
        begun=tuple(begun.items()),
        damaged=found.damaged,
        ended_early=ended,
        good_bytes=found.good_bytes,
        lost_bytes=found.lost_bytes,
        lines=found.next_number,
        last_sum=found.last_sum,
    )


class GaugeLog:
    """Writes a study's lines onto the disk, one by one. OSError where that cannot be done."""

    def __init__(self, path: Path, number: int, last_sum: int) -> None:
        self.path = path
        self._number = number
        self._sum = last_sum
        self._file = path.open("ab")

    @classmethod
    def begin(cls, path: Path, head: GaugeHead) -> Self:
        """Begin a study that is not there yet; FileExistsError where it is."""
        path.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
        log = cls(path, 0, 0)
        log._write({"kind": "study", "format": FORMAT, **head.as_plain()})
        return log

    @classmethod
    def go_on(cls, path: Path, record: GaugeRecord) -> Self:
        """Go on with a study; what stands behind its last whole line, which a crash cut short, is taken off.

        Damaged lines stay where they are.
        """
        if record.lost_bytes:
            os.truncate(path, record.good_bytes)
        return cls(path, record.lines, record.last_sum)

    def begins(self, number: int, run: str) -> None:
        """Announce a measurement by its run's name."""
        self._write({"kind": "begins", "cell": number, "run": run})

    def keep(self, cell: KeptCell) -> None:
        """Keep a measurement that is over."""
        readings = [{name: getattr(one, name) for name in _READING} for one in cell.readings]
        facts = {name: getattr(cell, name) for name in ("unit", "operator", "trial", "run")}
        self._write({"kind": "cell", "cell": cell.number, **facts, "readings": readings})

    def leave(self, number: int, why: str) -> None:
        """Note that a measurement that was announced counts for nothing."""
        self._write({"kind": "left", "cell": number, "why": why})

    def end_early(self) -> None:
        """Note that the study is ended before it is whole; it is not gone on with."""
        self._write({"kind": "ended"})

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _write(self, facts: Mapping[str, Any]) -> None:
        line, total = make_line(self._number, self._sum, facts)
        self._file.write(line)
        self._file.flush()
        os.fsync(self._file.fileno())
        self._number, self._sum = self._number + 1, total


_READING = tuple(GaugeReading.__dataclass_fields__)


def readings_of(results: Sequence[Result], checks: Sequence[str]) -> tuple[GaugeReading, ...]:
    """Return what of a run's results counts in a study: of its checks, what has a number or should have had one."""
    counted = (
        Decision.PASS,
        Decision.CONDITIONAL_PASS,
        Decision.CONDITIONAL_FAIL,
        Decision.FAIL,
        Decision.NO_LIMIT,
    )
    return tuple(
        GaugeReading.of(one)
        for one in results
        if one.check in checks and (one.decision in counted or one.value is None)
    )


def _head(line: Mapping[str, Any]) -> GaugeHead:
    if line["kind"] != "study" or not isinstance(line["format"], int) or line["format"] > FORMAT:
        raise ValueError("no study")
    facts: dict[str, Any] = {name: tuple(line[name]) if name in _LISTS else line[name] for name in _HEAD}
    return GaugeHead(**facts)


def _cell(line: Mapping[str, Any]) -> KeptCell:
    return KeptCell(
        number=int(line["cell"]),
        unit=str(line["unit"]),
        operator=str(line["operator"]),
        trial=int(line["trial"]),
        run=str(line["run"]),
        readings=tuple(GaugeReading(**{name: one[name] for name in _READING}) for one in line["readings"]),
    )


def unkept(path: Path, error: OSError) -> FileProblems:
    """Return the complaint that a study cannot be written down."""
    return about_file(
        path,
        f"the study cannot be written down: {error.strerror or error}",
        allowed="a results folder that can be written, with room on its disk",
        hint="make room, and call the command again: it goes on where it stopped",
    )
