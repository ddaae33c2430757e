"""Follows one result through the code: a simulated sensitivity is measured, stored, read back, and drawn on the report's page.

The run is made twice, with the same figures. The second time whatever a function of the project is handed or returns is looked at for the
number that the first one found: in which value it stands (its shape) and in which room (folder) the function is. Text is not looked at.

Run: python -m tests.benchmarks.walk_of_a_result [--all]
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import fields, is_dataclass
from itertools import groupby
from pathlib import Path
from types import FrameType
from typing import Any

from click.testing import CliRunner

from sequencer.cli.main import main as commands
from sequencer.frozen import dataclass

TOP = Path(__file__).parents[2]
SEQUENCE = "sequence: Walk\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n  - {check: sensitivity, channel: 20}\n"
DEEP = 5
MOST = 60
"""Of longer tuples and lists the first so many items are looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Met:
    """Where the number was met: the room and the function, and the shape that held it."""

    room: str
    function: str
    shape: str


class Walk:
    """Notes each place where ``number`` is handed over or returned, in order."""

    def __init__(self, number: float) -> None:
        self.number = number
        self.met: list[Met] = []
        self._rooms: dict[str, str] = {}

    def __call__(self, frame: FrameType, event: str, arg: Any) -> None:
        """Take a call or a return (`sys.setprofile`)."""
        if event not in ("call", "return") or not (room := self._room(frame.f_code.co_filename)):
            return
        for one in [arg] if event == "return" else _handed(frame):
            if shape := self._shape(one, DEEP):
                self.met.append(Met(room=room, function=frame.f_code.co_qualname, shape=shape))

    def _room(self, file: str) -> str:
        if file not in self._rooms:
            path = Path(file)
            inside = path.is_relative_to(TOP) and path.relative_to(TOP).parts[0] in ("sequencer", "drivers")
            self._rooms[file] = path.relative_to(TOP).parent.as_posix() if inside else ""
        return self._rooms[file]

    def _shape(self, one: Any, deep: int) -> str:
        """Return what kind of value holds the number; empty where none does."""
        if isinstance(one, float):
            return "a number" if one == self.number else ""
        if deep == 0 or isinstance(one, str | bytes):
            return ""
        for inside in _parts(one):
            if found := self._shape(inside, deep - 1):
                return found if found not in ("a number", "cells") else _named(one)
        return ""


def _handed(frame: FrameType) -> Iterator[Any]:
    code = frame.f_code
    for name in code.co_varnames[: code.co_argcount + code.co_kwonlyargcount]:
        if name not in ("self", "cls"):
            yield frame.f_locals.get(name)


def _parts(one: Any) -> Iterable[Any]:
    if is_dataclass(one) and not isinstance(one, type):
        return [getattr(one, field.name, None) for field in fields(one)]
    if isinstance(one, dict):
        return list(one.values())[:MOST]
    return one[:MOST] if isinstance(one, tuple | list) else ()


def _named(one: Any) -> str:
    return type(one).__name__ if is_dataclass(one) or hasattr(one, "_fields") else "cells"


def _called(*words: str) -> str:
    done = CliRunner().invoke(commands, words)
    if done.exit_code:
        raise SystemExit(f"sequencer {' '.join(words)} ended with status {done.exit_code}:\n{done.output}")
    return done.stdout


def _measured(folder: Path) -> None:
    (folder / "walk.yaml").write_text(SEQUENCE)
    _called(
        "run",
        f"{folder}/walk.yaml",
        "--bench",
        "bench",
        "--serial",
        "M40-0007",
        "--confirmed",
        "--dry-run",
        "--folder",
        str(folder),
    )


def _read(folder: Path) -> float:
    found = json.loads(_called("results", "last", "--json", "--folder", str(folder)))
    return float(found["results"][0]["value"])


def main() -> None:
    """Print the shapes in order with where each is first met, and the rooms between them."""
    with tempfile.TemporaryDirectory() as first, tempfile.TemporaryDirectory() as second:
        _measured(Path(first))
        number = _read(Path(first))
        walk = Walk(number)
        sys.setprofile(walk)
        try:
            _measured(Path(second))
            _called("report", "last", f"{second}/page.html", "--folder", second)
        finally:
            sys.setprofile(None)
    print(f"{number!r} dBm")
    seen: dict[str, Met] = {}
    for one in walk.met:
        seen.setdefault(one.shape, one)
    for one in seen.values():
        print(f"  {one.shape:16} first in {one.room} ({one.function})")
    print("shape by shape, the rooms in order:")
    for shape, group in groupby(walk.met, key=lambda one: one.shape):
        print(f"  {shape:16} {' > '.join(room for room, _ in groupby(group, key=lambda one: one.room))}")
    if "--all" in sys.argv:
        for one in walk.met:
            print(f"    {one.room:32} {one.shape:16} {one.function}")


if __name__ == "__main__":
    main()
