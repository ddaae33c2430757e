"""Takes the rows of files of limits over into a sequence, before it is read, as `fill` does with a model.

What is taken over keeps its place in the file of limits: a complaint about it points there, and a result says that its limit stands
there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.checks import check_names
from sequencer.files.read import Read, read_file
from sequencer.files.shipped import find_file
from sequencer.files.yaml_tree import Node, Source
from sequencer.frozen import dataclass
from sequencer.problems import Complaint, FileProblems, did_you_mean, listed

if TYPE_CHECKING:
    from sequencer.inputs.greatest_uncertainty import GreatestUncertainty
    from sequencer.inputs.limits_file import LimitsFile

KEY = "limits_from"
OF_A_DOCUMENT = ("mask",)
"""Settings that a check must have, and that a file of limits may state for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenRow:
    """A row that was taken over: what results say of its limit, its document with the edition, and how uncertain they may be.

    ``took`` are the keys that the check has of it; ``instead`` those that the check states itself, each with what the row has.
    """

    name: str
    said: str
    document: str
    greatest: GreatestUncertainty | None
    took: frozenset[str]
    instead: Mapping[str, tuple[Any, Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenRows:
    """What was taken over, by the check's place in the sequence; and the files, as named."""

    taken: Mapping[int, TakenRow]
    files: Mapping[str, Path]

    def at(self, place: tuple[str | int, ...]) -> TakenRow | None:
        """Return the row of the check at a place in the sequence; None where it names none."""
        number = place[1] if len(place) > 1 else None
        return self.taken.get(number) if isinstance(number, int) else None

    def of(self, before: Sequence[Node], after: Sequence[Node]) -> TakenRows:
        """Return the same rows where some of the checks ``before`` were left out, and the rest moved up."""
        at = {id(node): number for number, node in enumerate(after)}
        moved = {
            at[id(before[number])]: row for number, row in self.taken.items() if id(before[number]) in at
        }
        return TakenRows(taken=moved, files=self.files)


def take_rows(source: Source, path: Path) -> tuple[TakenRows, list[Complaint]]:
    """Put into the tree of a sequence what the rows set that its checks name, where they say nothing themselves."""
    taken: dict[int, TakenRow] = {}
    files: dict[str, Path] = {}
    complaints: list[Complaint] = []
    for at, entry in _asking(source):
        place = ("checks", at, KEY)
        try:
            name, row = _named(source, entry.entries[KEY][1], place)
            file = _found(name, path, source, place)
            read = _read(file, source, place)
            sets = _sets(entry, read, row, source, place)
        except FileProblems as problems:
            complaints += problems.complaints
            # nor is what the row would have set missing
            entry.spoiled = entry.entries[KEY][1].spoiled = True
            continue
        taken[at], files[name] = _merge(entry, read, row, sets), file
    return TakenRows(taken=taken, files=files), complaints


def _merge(entry: Node, read: Read[LimitsFile], row: str, sets: Node) -> TakenRow:
    """Take over what a row sets and the check does not, and return what was."""
    instead: dict[str, tuple[Any, Any]] = {}
    took: set[str] = set()
    for key, (key_node, node) in sets.entries.items():
        if key in entry.entries:
            instead[key] = entry.entries[key][1].plain(), node.plain()
            continue
        took.add(key)
        entry.entries[key] = replace(key_node, origin=read.source), replace(node, origin=read.source)
    limits = read.model
    return TakenRow(
        name=row,
        said=limits.said(row),
        document=f"{limits.document}, {limits.edition}",
        greatest=limits.rows[row].greatest_uncertainty,
        took=frozenset(took),
        instead=instead,
    )


def checks_in(source: Source) -> list[Node]:
    """Return the checks of a sequence's tree, as they stand in it now."""
    root = source.root
    return (
        list(root.entries["checks"][1].items) if root.kind == "mapping" and "checks" in root.entries else []
    )


def _asking(source: Source) -> list[tuple[int, Node]]:
    checks = enumerate(checks_in(source))
    return [(at, entry) for at, entry in checks if entry.kind == "mapping" and KEY in entry.entries]


def _named(source: Source, node: Node, place: tuple[str | int, ...]) -> tuple[str, str]:
    """Return file and row that are named. Raises FileProblems for anything but both."""
    found = {key: value.scalar for key, (_, value) in node.entries.items()} if node.kind == "mapping" else {}
    name, row = found.get("file"), found.get("row")
    if set(found) != {"file", "row"} or not (isinstance(name, str) and isinstance(row, str)):
        raise FileProblems(
            [
                source.complain(
                    place,
                    "limits are taken from a file, and a row of it",
                    allowed="limits_from: {file: en-300-433, row: adjacent channel power}",
                )
            ]
        )
    return name, row


def _found(name: str, path: Path, source: Source, place: tuple[str | int, ...]) -> Path:
    try:
        return find_file(name, "limits", beside=path)
    except FileProblems as problems:
        raise FileProblems([_pointing(problems, source, place)]) from problems


def _pointing(problems: FileProblems, source: Source, place: tuple[str | int, ...]) -> Complaint:
    first = problems.complaints[0]
    at = (*place, "file")
    return source.complain(
        at, f"{first.message}: {first.found!r}", found=first.found, allowed=first.allowed, hint=first.hint
    )


def _read(file: Path, source: Source, place: tuple[str | int, ...]) -> Read[LimitsFile]:
    from sequencer.inputs.limits_file import LimitsFile

    try:
        return read_file(file, LimitsFile)
    except FileProblems as problems:
        wrong = source.complain(
            (*place, "file"), "this file of limits cannot be used: what is wrong in it is told beside this"
        )
        raise FileProblems([wrong, *problems.complaints]) from problems


def _sets(
    entry: Node, read: Read[LimitsFile], row: str, source: Source, place: tuple[str | int, ...]
) -> Node:
    """Return what the row sets. Raises FileProblems for a row that is not there, and for one of another check."""
    rows = read.model.rows
    if row not in rows:
        raise FileProblems(
            [
                source.complain(
                    (*place, "row"),
                    f"{Path(read.source.file).name} has no row {row!r}",
                    found=row,
                    allowed=listed(rows),
                    hint=did_you_mean(row, rows),
                )
            ]
        )
    check = entry.entries["check"][1].scalar if "check" in entry.entries else None
    if check in check_names() and check != rows[row].check:
        raise FileProblems(
            [
                source.complain(
                    (*place, "row"),
                    f"the row {row!r} is of {rows[row].check}, not of {check}",
                    allowed=listed([name for name, one in rows.items() if one.check == check])
                    or f"a file with a row of {check}",
                )
            ]
        )
    return read.source.find(("rows", row, "set"))
