"""The marks of an S-meter: S1 to S9, and 10 to 60 dB above; how they are spelt, how far apart they are, and their voltages in order."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema

from sequencer.problems import FieldProblem

S_UNIT_DB = 6.0
_MARK = re.compile(r"S([1-9])|S9\s*\+\s*([1-6]0)(?:\s*dB)?", re.IGNORECASE)


def _read_mark(found: Any) -> str:
    match = _MARK.fullmatch(found.strip()) if isinstance(found, str) else None
    if match is None:
        raise FieldProblem(f"'{found}' is not a mark of an S-meter", allowed="S1 to S9, S9+10 dB to S9+60 dB")
    return f"S{match[1]}" if match[1] else f"S9+{match[2]} dB"


MarkName = Annotated[
    str,
    PlainValidator(_read_mark),
    WithJsonSchema(
        {"type": "string", "pattern": r"^S[1-9]$|^S9\+[1-6]0( dB)?$", "examples": ["S9", "S9+20 dB"]}
    ),
]


def above_s9_db(mark: str) -> float:
    """Return how far a mark lies above S9, dB: -48 for S1, 60 for S9+60 dB."""
    if "+" in mark:
        return float(mark[3:5])
    return S_UNIT_DB * (int(mark[1]) - 9)


def once_each(marks: Any) -> Any:
    """Refuse two spellings of one mark: one of the voltages would be lost without a word."""
    spelt: dict[str, str] = {}
    for name in marks if isinstance(marks, Mapping) else ():
        if not isinstance(name, str) or not _MARK.fullmatch(name.strip()):
            continue  # told of with the name's own place
        mark = _read_mark(name)
        if mark in spelt:
            raise FieldProblem(
                f"'{spelt[mark]}' and '{name}' are one mark",
                at=(name,),
                allowed="each mark once",
                at_key=True,
            )
        spelt[mark] = name
    return marks


def rising(marks: Mapping[str, float]) -> Mapping[str, float]:
    """Return marks in their order. Raises FieldProblem for fewer than two, or voltages that go to and fro."""
    if len(marks) < 2:
        raise FieldProblem(
            f"{len(marks)} mark makes no curve", allowed="two or more, such as {S3: 0.75 V, S9: 2.25 V}"
        )
    ordered = dict(sorted(marks.items(), key=lambda mark: above_s9_db(mark[0])))
    steps = [high - low for low, high in itertools.pairwise(ordered.values())]
    if not (all(step > 0 for step in steps) or all(step < 0 for step in steps)):
        raise FieldProblem(
            "the voltages of the marks neither rise nor fall throughout",
            allowed="a voltage for each mark that rises with it (or falls with it on a line that works the other way)",
        )
    return ordered
