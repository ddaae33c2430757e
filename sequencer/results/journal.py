"""What a journal says of its run: how it began, what it left, what was under way, and how it ended if it did.

The journal is written by `sequencer.run.keeping.journal`, line by line, before each event has effect.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import field
from datetime import datetime
from functools import cache
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, ClassVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from sequencer.files.ordinary import no_file_but, read_ordinary
from sequencer.frozen import dataclass
from sequencer.problems import InputError, about_file, printable
from sequencer.results.journal_adjusting import AdjustingCut, AdjustingLines
from sequencer.results.journal_lines import FORMAT, LONGEST_HEAD, Lines, read_lines
from sequencer.results.model import RunRecord
from sequencer.results.store.spill import ALLOWED_KEPT, LARGEST_BYTES, KeptRun, kept_of, read_kept

__all__ = [
    "Entered",
    "Head",
    "JournalRead",
    "PlannedStep",
    "read_head",
    "read_journal",
    "read_left",
    "refuse_names",
]

_BEGINS = b'{"number":0,'
_ALLOWED = "the journal that a run writes beside its results table"
_LONGEST_NAME = 255
_LONGEST_PATH = 4096
_NO_LINE = (KeyError, TypeError, ValueError, AttributeError, RecursionError)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """A step that the run was to make."""

    index: int
    label: str
    check: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """How a run began: all that it takes to carry it on, but for a password in the store's address.

    ``store_file`` is a path, ``store_address`` a server's address as it may be shown; one of them is empty. ``model_named`` is what was
    given with --model.
    """

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="ignore", strict=True)

    format: int
    program: str
    record: RunRecord
    sequence_file: str
    bench_file: str
    model_file: str
    folder: str
    table: str
    store_file: str
    store_address: str
    only: tuple[str, ...]
    order: str
    model_named: str
    dry_run: bool
    steps: tuple[PlannedStep, ...]
    share_key: bool = False
    """Whether checks share key-downs where the sequence says nothing of it; a journal from before has none, and they did not."""
    inputs: Mapping[str, str] = field(default_factory=dict)
    """The files that the run was made from, each with a hash of its text; a journal from before has none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """A reading that a person entered, as it was typed."""

    check_index: int
    name: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A carrier as the spectrum analyser showed it and the power meter read it, dBm at the antenna connector; whether they agreed."""

    shown_dbm: float
    meter_dbm: float
    agrees: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalRead:
    """A journal as it was read. ``outcome`` is empty where the run has not ended.

    ``under_way`` are the checks that had begun and not ended; ``is_pressed`` says that PTT was to be pressed and was not confirmed
    released. ``on_unit`` says of each result, by the number of its check, whether what is missing is the unit's doing.
    """

    path: Path
    head: Head
    kept: KeptRun
    lines: Lines
    outcome: str = ""
    under_way: tuple[int, ...] = ()
    is_pressed: bool = False
    entered: tuple[Entered, ...] = ()
    on_unit: Mapping[int, tuple[bool, ...]] = field(default_factory=dict)
    cut: frozenset[int] = frozenset()
    """The checks that were cut short and left what they had found by then."""
    resumed: tuple[datetime, ...] = ()
    adjusting: tuple[AdjustingCut, ...] = ()
    """The adjustings that were cut short, with what they had found and written."""
    held: Held | None = None
    """The spectrum analyser's carrier that was last held against the power meter; None where cables were moved since."""
    bench_s: float = 0.0
    """What the run took so far, bench time."""
    last_time: datetime
    lost: str = ""
    """What of the file does not count, in words; empty where all of it does."""


def read_left(file: Path) -> tuple[KeptRun, str, bool, tuple[str, ...]]:
    """Return the run that a journal is of, or that an earlier sequencer kept as JSON. Raises InputError.

    With it comes what of the file does not count, in words, and whether that is more than a last line that was not finished; and
    what must be known of an adjusting that was cut short, a line each.
    """
    content = read_ordinary(file, kind=ALLOWED_KEPT, most_bytes=LARGEST_BYTES, too_large="for a kept run")
    if not content.startswith(_BEGINS):
        return read_kept(file), "", False, ()
    read = journal_of(file, content)
    said = tuple(line for one in read.adjusting for line in one.said)
    return read.kept, read.lost, bool(read.lost) and not read.lines.unfinished, said


def read_head(path: Path) -> Head:
    """Read how a run began, and no more of its journal. Raises InputError that says what is wrong with the file."""
    if wrong := no_file_but(path):
        raise about_file(path, wrong, allowed=_ALLOWED)
    try:
        with path.open("rb") as file:
            first = file.readline(LONGEST_HEAD)
    except OSError as error:
        raise about_file(path, f"cannot be read: {error.strerror or error}", allowed=_ALLOWED) from error
    lines = read_lines(first)
    if not lines.lines:
        raise _without_a_head(path, first)
    return _head(path, lines.lines[0])


def refuse_names(path: Path, head: Head) -> None:
    """Raise InputError where a head names a table outside of the journal's folder, or a store by a path that no run writes down."""
    table, store = head.table, head.store_file
    is_plain = PurePosixPath(table).name == table == PureWindowsPath(table).name
    if not is_plain or not table.endswith(".csv") or "\0" in table or len(table) > _LONGEST_NAME:
        raise about_file(
            path,
            f"the journal names a table {printable(table)[:_LONGEST_NAME]!r}, which no run writes",
            allowed="the plain name of a .csv file beside the journal",
            hint="the journal is forged or of another program: nothing of it is carried on",
        )
    if store and not (Path(store).is_absolute() and "\0" not in store and len(store) < _LONGEST_PATH):
        raise about_file(
            path,
            f"the journal names a store {printable(store)[:_LONGEST_NAME]!r}, which no run writes",
            allowed="the whole path of the store's file",
            hint="the journal is forged or of another program: nothing of it is carried on",
        )


def read_journal(path: Path) -> JournalRead:
    """Read a journal. Raises InputError that says what is wrong with the file; a tail that is cut short is told in ``lost``."""
    content = read_ordinary(path, kind=_ALLOWED, most_bytes=LARGEST_BYTES, too_large="for a journal")
    return journal_of(path, content)


def journal_of(path: Path, content: bytes) -> JournalRead:
    """Return what the ``content`` of a journal says. Raises InputError."""
    lines = read_lines(content)
    if not lines.lines:
        raise _without_a_head(path, content)
    head = _head(path, lines.lines[0])
    found = _Gathered()
    for number, line in enumerate(lines.lines[1:], start=2):
        try:
            found.take(line)
        except _NO_LINE as error:
            raise _no_line(path, number) from error
    try:
        kept = kept_of(path, found.as_kept(lines.lines[0]["record"]))
    except RecursionError as error:
        raise about_file(path, "is not a journal of a run: too deep", allowed=_ALLOWED) from error
    try:
        last_time = datetime.fromisoformat(lines.lines[-1]["time"])
    except _NO_LINE as error:
        raise _no_line(path, len(lines.lines)) from error
    return JournalRead(
        path=path,
        head=head,
        kept=kept,
        lines=lines,
        outcome=found.outcome,
        under_way=tuple(found.under_way),
        is_pressed=found.is_pressed,
        entered=tuple(found.entered),
        on_unit=found.on_unit,
        cut=frozenset(found.cut),
        resumed=tuple(found.resumed),
        adjusting=found.adjusting.cut(),
        held=found.held,
        bench_s=found.so_far_s,
        last_time=last_time,
        lost=_lost(lines),
    )


def _no_line(path: Path, number: int) -> InputError:
    return about_file(
        path, f"is not a journal of a run: line {number} is none that a run writes", allowed=_ALLOWED
    )


def _lost(lines: Lines) -> str:
    if not lines.lost_bytes:
        return ""
    number = len(lines.lines)
    if lines.altered:
        return (
            f"line {number + 1} of the journal was altered, or the one before it: it and all that follows, {lines.lost_bytes} bytes, "
            "does not count"
        )
    if not lines.unfinished:
        return (
            f"line {number + 1} of the journal is none that a run writes: it and all that follows, {lines.lost_bytes} bytes, "
            "does not count"
        )
    return f"line {number + 1} of the journal was cut short: its {lines.lost_bytes} bytes do not count"


def _without_a_head(path: Path, content: bytes) -> InputError:
    if _BEGINS.startswith(content[: len(_BEGINS)]):
        return about_file(
            path,
            "the journal's first line is not whole, so that nothing was measured yet when the run was cut short",
            hint="nothing is lost but the run's beginning: start the run anew, and remove this file",
        )
    return about_file(path, "is not a journal of a run", allowed=_ALLOWED)


def _held(line: Mapping[str, Any]) -> Held:
    shown_dbm, meter_dbm = float(line["shown_dbm"]), float(line["meter_dbm"])
    return Held(shown_dbm=shown_dbm, meter_dbm=meter_dbm, agrees=bool(line["agrees"]))


class _Gathered:
    """Gathers what the lines say, in order."""

    def __init__(self) -> None:
        self.checks: list[dict[str, Any]] = []
        self.facts: dict[str, Any] = {}
        self.outcome = ""
        self.under_way: list[int] = []
        self.is_pressed = False
        self.entered: list[Entered] = []
        self.on_unit: dict[int, tuple[bool, ...]] = {}
        self.cut: set[int] = set()
        self.bench_s = 0.0
        self._part_s = 0.0
        self._first_s: float | None = None
        self.resumed: list[datetime] = []
        self.adjusting = AdjustingLines()
        self.held: Held | None = None

    def take(self, line: Mapping[str, Any]) -> None:
        """Take a line; an event that is not known says nothing here."""
        match line.get("event"):
            case "check begun":
                self.under_way.append(_number(line["check_index"]))
                self.adjusting.begin(self.under_way[-1])
            case "as found":
                self.adjusting.take_found(line)
            case "setting to be written" | "setting written" as what:
                self.adjusting.take_setting(line, is_read_back=what == "setting written")
            case "check ended":
                self._end_check(line)
            case "PTT to be pressed" | "PTT released" as what:
                self.is_pressed = what == "PTT to be pressed"
            case "carrier held" | "cables to be moved" | "cables connected" as what:
                self.held = _held(line) if what == "carrier held" else None
            case "entered":
                self.entered.append(
                    Entered(check_index=_number(line["check_index"]), name=line["name"], text=line["text"])
                )
            case "inputs" | "batch_opened" as what:
                self.facts[what] = line[what]
            case "instruments":
                self.facts["instruments"] = line["instruments"]
            case "simulated":
                self.facts |= {"simulated": True, "bench": line["bench"]}
            case "resumed":
                self._resume(line)
            case "ended":
                self.outcome = line["outcome"]
                self.facts |= {name: line[name] for name in ("outcome", "bench_safe", "bench_s")}
                self.facts["status"] = line.get("status")

    @property
    def so_far_s(self) -> float:
        """The bench time of all parts: as it was written down at an end, else from the first message of a part to its last."""
        ended_s = self.facts.get("bench_s")
        return float(ended_s) if ended_s is not None else self.bench_s + self._part_s

    def _end_check(self, line: Mapping[str, Any]) -> None:
        index = _number(line["check_index"])
        exchanges = [_exchange(one) for one in line["exchanges"]]
        if exchanges:
            self._first_s = exchanges[0]["time_s"] if self._first_s is None else self._first_s
            self._part_s = exchanges[-1]["time_s"] - self._first_s
        check = {"check_index": index, "results": line["results"], "exchanges": exchanges}
        self.checks.append({**check, "seconds": line.get("seconds")})
        if line["results"]:
            self.under_way = [one for one in self.under_way if one != index]
            self.adjusting.end(index)
            self.on_unit[index] = tuple(map(bool, line["on_unit"]))
            (self.cut.discard if line["whole"] else self.cut.add)(index)

    def _resume(self, line: Mapping[str, Any]) -> None:
        self.resumed.append(datetime.fromisoformat(line["at"]))
        self.bench_s = self.so_far_s
        self._part_s, self._first_s = 0.0, None
        self.outcome, self.is_pressed, self.under_way = "", False, []
        for name in ("outcome", "bench_safe", "bench_s", "status"):
            self.facts.pop(name, None)

    def as_kept(self, record: Mapping[str, Any]) -> dict[str, Any]:
        """Return the run so far in the form of a kept run."""
        resumed = [one.isoformat(timespec="milliseconds") for one in self.resumed]
        return {**record, **self.facts, "resumed": resumed, "checks": self.checks}


def _number(value: Any) -> int:
    if type(value) is not int:
        raise TypeError("the number of a check")
    return value


_EXCHANGE = ("time_s", "instrument", "direction", "content", "fault")
_FACTS = (*_EXCHANGE, "facts")


def _exchange(cells: Sequence[Any]) -> dict[str, Any]:
    """Return a message by name. Raises ValueError for one of another length."""
    return dict(zip(_EXCHANGE if len(cells) == len(_EXCHANGE) else _FACTS, cells, strict=True))


def exchange_cells(exchanges: Iterable[Any]) -> Iterator[tuple[Any, ...]]:
    """Yield messages as they stand in a journal; each byte is the character of its number (Latin-1).

    With a fault stands what is known of it: its words alone do not tell how the run went on.
    """
    for one in exchanges:
        cells = (one.time_s, one.instrument, one.direction.value, one.content.decode("latin-1"), one.fault)
        yield cells if one.facts is None else (*cells, dict(one.facts))


def _head(path: Path, line: Mapping[str, Any]) -> Head:
    written = line.get("format")
    if isinstance(written, int) and written > FORMAT:
        raise about_file(
            path,
            f"the journal has format {written}, and this sequencer knows up to {FORMAT}",
            hint="use the newer sequencer",
        )
    try:
        return _model().validate_json(json.dumps(line))
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(map(str, first["loc"]))
        raise about_file(
            path, f"is not a journal of a run: {place}: {printable(first['msg'])}", allowed=_ALLOWED
        ) from error
    except RecursionError as error:
        raise about_file(path, "is not a journal of a run: too deep", allowed=_ALLOWED) from error


@cache
def _model() -> TypeAdapter[Head]:
    return TypeAdapter(Head)
