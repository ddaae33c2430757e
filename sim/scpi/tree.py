"""The command tree: patterns such as ``[:SOURce]:FREQuency[:CW|:FIXed]``, and finding a written header in it.

Tree, default nodes, numeric suffixes and the path after ``;`` are SCPI-1999 volume 1 chapter 6.2, from
memory. After ``FREQ 1E8`` the path is what was written (the root), not what the default nodes would make of
it.

Does not model: commands added or removed while the instrument runs, and mnemonics that end in a digit of
their own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import Any, NamedTuple, Protocol

from sim.scpi.parameters import short_form
from sim.scpi.status import ScpiError
from sim.scpi.syntax import Token, Unit, parse_message

_MNEMONIC = re.compile(r":?(\*?[A-Z]+[a-z]*)(?:<([0-9]+):([0-9]+)>)?")
_KEPT_MESSAGES = 2048
_KEPT_LENGTH = 200


class Node(NamedTuple):
    """One mnemonic of a pattern, with the range of its numeric suffix if it takes one.

    An empty mnemonic stands for an optional node that was left out but whose suffix (1) the handler still
    gets.
    """

    mnemonic: str
    suffixes: tuple[int, int] | None


class Command(Protocol):
    """What stands at the end of a path in the tree."""

    def execute(self, device: Any, suffixes: tuple[int, ...], tokens: tuple[Token, ...]) -> Any:
        """Do it, and return the answer or None."""


class Step(NamedTuple):
    """One executable unit of a message: a command with its arguments, or the error that ends the message."""

    command: Command | None
    suffixes: tuple[int, ...] = ()
    tokens: tuple[Token, ...] = ()
    error: ScpiError | None = None
    query: bool = False


class _Branch:
    __slots__ = ("branches", "commands")

    def __init__(self) -> None:
        self.branches: dict[str, _Branch] = {}
        self.commands: dict[bool, tuple[tuple[Node, ...], Command]] = {}


@cache
def expand(pattern: str) -> tuple[tuple[Node, ...], ...]:
    """Return every path that a pattern allows; raises ValueError for a pattern that cannot be read."""
    paths, rest = _sequence(pattern, pattern)
    if rest or any(not path for path in paths):
        raise ValueError(
            f"command pattern {pattern!r} cannot be read at {rest!r}; "
            "write it like '[:SOURce]:FREQuency<1:2>[:CW|:FIXed]'"
        )
    return tuple(paths)


def _sequence(text: str, pattern: str) -> tuple[list[tuple[Node, ...]], str]:
    paths: list[tuple[Node, ...]] = [()]
    while text and text[0] not in "]|":
        if text[0] == "[":
            choices, text = _choices(text[1:], pattern)
            absent = tuple(Node("", node.suffixes) for node in choices[0] if node.suffixes)
            tails = [absent, *choices]
        else:
            match = _MNEMONIC.match(text)
            if not match:
                break
            text = text[match.end() :]
            suffixes = (int(match[2]), int(match[3])) if match[2] else None
            tails = [(Node(match[1], suffixes),)]
        paths = [path + tail for path in paths for tail in tails]
    return paths, text


def _choices(text: str, pattern: str) -> tuple[list[tuple[Node, ...]], str]:
    found: list[tuple[Node, ...]] = []
    while True:
        paths, text = _sequence(text, pattern)
        found += paths
        if text[:1] != "|":
            break
        text = text[1:]
    if text[:1] != "]":
        raise ValueError(f"command pattern {pattern!r} lacks a closing bracket")
    return found, text[1:]


class Tree:
    """All commands of one class of instrument."""

    def __init__(self) -> None:
        self._root = _Branch()
        self._messages: dict[bytes, tuple[Step, ...]] = {}

    def add(self, pattern: str, command: Command, *, replace: bool = False) -> None:
        """Add a command; a pattern that ends in ``?`` is a query. Raises ValueError where a path is taken already."""
        query = pattern.endswith("?")
        for path in expand(pattern.removesuffix("?")):
            branch = self._grow(path)
            if query in branch.commands and not replace and branch.commands[query][1] is not command:
                raise ValueError(f"command {pattern!r} is declared twice")
            branch.commands[query] = (path, command)

    def _grow(self, path: tuple[Node, ...]) -> _Branch:
        branch = self._root
        for node in path:
            if not node.mnemonic:
                continue
            long, short = node.mnemonic.upper(), short_form(node.mnemonic)
            below = branch.branches.get(long) or branch.branches.get(short) or _Branch()
            branch.branches[long] = branch.branches[short] = below
            branch = below
        return branch

    def steps(self, message: bytes) -> tuple[Step, ...]:
        """Return what a program message asks for, up to and including the first error."""
        known = self._messages.get(message)
        if known is None:
            known = tuple(self._walk(parse_message(message)))
            if len(message) <= _KEPT_LENGTH:
                if len(self._messages) >= _KEPT_MESSAGES:
                    self._messages.clear()
                self._messages[message] = known
        return known

    def _walk(self, units: list[Unit]) -> Iterator[Step]:
        path: list[str] = []
        for unit in units:
            try:
                if unit.error:
                    raise unit.error
                names = self._names(path, unit.header)
                yield self._find(names, unit)
            except ScpiError as error:
                yield Step(None, error=error)
                return
            if not unit.header.startswith("*"):
                path = names[:-1]

    @staticmethod
    def _names(path: list[str], header: str) -> list[str]:
        if header.startswith("*"):
            return [header]
        if header.startswith(":"):
            return header[1:].split(":")
        return path + header.split(":")

    def _find(self, names: list[str], unit: Unit) -> Step:
        branch = self._root
        written: list[str] = []
        for name in names:
            mnemonic = name if name[0] == "*" else name.rstrip("0123456789")
            written.append(name[len(mnemonic) :])
            below = branch.branches.get(mnemonic)
            if below is None:
                raise ScpiError(-113, unit.header)
            branch = below
        if unit.query not in branch.commands:
            raise ScpiError(-113, unit.header + "?" * unit.query)
        path, command = branch.commands[unit.query]
        suffixes = tuple(_suffixes(path, written, unit.header))
        return Step(command, suffixes, unit.tokens, query=unit.query)


def _suffixes(path: tuple[Node, ...], written: list[str], header: str) -> Iterator[int]:
    spoken = iter(written)
    for node in path:
        digits = next(spoken) if node.mnemonic else ""
        # A mnemonic without suffix means suffix 1, and 1 is accepted everywhere (SCPI-1999 volume 1, 6.2.5.2,
        # recalled).
        suffix = int(digits[:9] or "1")
        low, high = node.suffixes or (1, 1)
        if not low <= suffix <= high:
            raise ScpiError(-114, header)
        if node.suffixes:
            yield suffix
