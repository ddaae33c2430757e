"""The tree of a file: its values, and where each of them stands."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import field
from typing import Any, Literal

from sequencer.frozen import dataclass
from sequencer.problems import Complaint

Path = Sequence[str | int]


@dataclasses.dataclass(slots=True, kw_only=True)
class Node:
    """One value of the file and where it begins (line and column from 1)."""

    kind: Literal["scalar", "sequence", "mapping"]
    line: int
    column: int
    text: str = ""
    scalar: str | int | float | bool | None = None
    items: list[Node] = field(default_factory=lambda: _NO_ITEMS)
    entries: dict[str, tuple[Node, Node]] = field(default_factory=lambda: _NO_ENTRIES)
    complete: bool = False
    spoiled: bool = False  # already complained about: what it stands for is not known
    size: int = 1
    height: int = 1
    origin: Source | None = None  # where it was taken over from, it and all below it; None: the file's own

    def plain(self) -> Any:
        """Return the value as dicts (of text keys), lists and scalars."""
        if self.kind == "mapping":
            return {key: entry.plain() for key, (_, entry) in self.entries.items()}
        if self.kind == "sequence":
            return [item.plain() for item in self.items]
        return self.scalar

    def described(self) -> str:
        """Return what a complaint says was found here."""
        if self.kind == "scalar":
            shown = self.text if len(self.text) <= 60 else self.text[:60] + "…"
            return f"'{shown}'" if self.scalar is not None else "nothing"
        return "a list" if self.kind == "sequence" else "a mapping"


# Shared by all scalars, to which nothing is added: two containers each made a large file a fifth slower.
_NO_ITEMS: list[Node] = []
_NO_ENTRIES: dict[str, tuple[Node, Node]] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """A place in a file; line and column count from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A file's text and tree, kept so that later stages can point into it."""

    file: str
    lines: tuple[str, ...]
    root: Node

    def where(self, *path: str | int, key: bool = False) -> Position:
        """Return where the value at ``path`` begins, or its key with ``key``.

        Elements of the path that are not in the file are passed over: the place is the nearest that is.
        """
        node, source = self._found(path, key=key)
        return Position(file=source.file, line=node.line, column=node.column)

    def complain(
        self,
        path: Path,
        message: str,
        *,
        found: str = "",
        allowed: str = "",
        hint: str = "",
        key: bool = False,
    ) -> Complaint:
        """Return a complaint about the value (or, with ``key``, the key) at ``path``."""
        node, source = self._found(path, key=key)
        return complaint_at(
            source.file,
            source.lines,
            node.line,
            node.column,
            message,
            found=found,
            allowed=allowed,
            hint=hint,
        )

    def find(self, path: Path) -> Node:
        """Return the node at ``path``, passing over elements that are not in the file."""
        return self._found(path, key=False)[0]

    def is_own(self, *path: str | int) -> bool:
        """Say whether all of ``path`` stands in this file itself: not left out, and not taken over from another."""
        taken, passed_over = self.resolve(path)
        return not passed_over and self._found(taken, key=False)[1] is self

    def resolve(self, path: Path) -> tuple[list[str | int], list[int]]:
        """Return the elements of ``path`` that lead to a node, and the indices of those that do not."""
        node, taken, passed_over = self.root, list[str | int](), list[int]()
        for index, element in enumerate(path):
            below = _below(node, element)
            if below is None:
                passed_over.append(index)
            else:
                node = below
                taken.append(element)
        return taken, passed_over

    def _found(self, path: Path, *, key: bool) -> tuple[Node, Source]:
        """Return the node, and the source in which it stands."""
        node, source = self.root, self
        place, of_place = node, source
        for element in path:
            below = _below(node, element)
            if below is not None:
                inner = below.origin or source
                place, of_place = below, inner
                if node.kind == "mapping":
                    place = node.entries[str(element)][0]
                    of_place = place.origin or source
                node, source = below, inner
        return (place, of_place) if key else (node, source)


def _below(node: Node, element: str | int) -> Node | None:
    if node.kind == "mapping" and str(element) in node.entries:
        return node.entries[str(element)][1]
    if node.kind == "sequence" and isinstance(element, int) and 0 <= element < len(node.items):
        return node.items[element]
    return None


def complaint_at(
    file: str, lines: Sequence[str], line: int, column: int, message: str, **facts: str
) -> Complaint:
    """Return a complaint with the line of the file it speaks of."""
    shown = lines[line - 1] if 0 < line <= len(lines) else ""
    return Complaint(file=file, line=line, column=column, message=message, source_line=shown, **facts)
