"""What a face of the station looks like in so many columns and rows: lines with a style, of words and shape first and colour last."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import field, replace

from sequencer.cli.station.letters import large, small
from sequencer.frozen import dataclass
from sequencer.problems import printable
from sequencer.run.line.face import END, Face, Verdict, safe_line
from sequencer.run.line.scans import Scan
from sequencer.units.format import counted

LEAST_WIDTH, LEAST_HEIGHT = 60, 20
"""The smallest terminal on which the screen is drawn."""
_STYLES = {
    Verdict.PASS: "bold green",
    Verdict.FAIL: "bold red",
    Verdict.NOT_MEASURED: "bold yellow",
    Verdict.BENCH: "bold magenta",
}
_WORDS = {
    Verdict.PASS: "All limits met.",
    Verdict.FAIL: "A limit was not met.",
    Verdict.NOT_MEASURED: "Something was not measured, or could not be kept.",
    Verdict.BENCH: "The bench failed: this says nothing of the unit.",
}
ASK = "ASK"
"""The block word while a question waits for an answer."""
MOST_WRONG, MOST_WAITING_SHOWN = 6, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line and its style."""

    text: str
    style: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """What the window knows beside the face: what is being typed or was (``draft``), and the scans that wait."""

    begun: str = ""
    draft: str = ""
    waiting: Sequence[Scan] = field(default=())
    left_out: int = 0
    notice: str = ""
    """Why a key was not taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """Lines that belong together. Where there is no room those with the highest ``rank`` go first, the last line before the others.

    In place of a part that has a ``fallback`` that is shown first, and kept as long as what ranks as ``kept``. ``larger`` are its other
    forms where there is room, the next larger first, each with its place in the order in which room is given away.
    """

    rank: int
    lines: list[Line]
    fallback: list[Line] = field(default_factory=list)
    kept: int = 0
    larger: list[tuple[int, list[Line]]] = field(default_factory=list)


def drawn(face: Face, typed: Typed, width: int, height: int) -> list[Line]:
    """Return the lines of a face, no wider than ``width`` and no more than ``height``."""
    parts = [part for part in _parts(face, typed, max(20, width)) if part.lines]
    while parts and sum(len(part.lines) for part in parts) > height:
        at = max(range(len(parts)), key=lambda number: parts[number].rank)
        parts[at] = _shorter(parts[at])
        parts = [part for part in parts if part.lines]
    parts = _grown(parts, height)
    lines = [line for part in parts for line in part.lines]
    return [Line(text=line.text[:width], style=line.style) for line in lines[:height]]


def _shorter(part: _Part) -> _Part:
    if part.fallback:
        return _Part(rank=part.kept, lines=part.fallback)
    return _Part(rank=part.rank, lines=part.lines[:-1])


def _grown(parts: list[_Part], height: int) -> list[_Part]:
    """Return the parts in their larger forms, as far as there are rows for them."""
    steps = sorted(
        (place, at, lines) for at, part in enumerate(parts) for place, lines in part.larger if lines
    )
    for _, at, lines in steps:
        room = height - sum(len(part.lines) for part in parts) + len(parts[at].lines)
        if len(lines) <= room:
            parts[at] = replace(parts[at], lines=lines)
    return parts


def _parts(face: Face, typed: Typed, width: int) -> Iterator[_Part]:
    yield _Part(rank=9, lines=[Line(text=printable(one), style="dim") for one in face.head])
    yield _Part(rank=1, lines=list(_unit(face, width)))
    yield _verdict(face, width)
    yield _Part(rank=4, lines=list(_wrong(face, width)))
    yield _safe(face, width)
    yield _Part(rank=0, lines=list(_question(face, typed, width)))
    yield _Part(rank=0, lines=[Line(text=one, style="bold") for one in _wrapped(typed.notice, width) if one])
    yield _Part(
        rank=5,
        lines=[
            Line(text=one, style="bold") for note in face.notes for one in _wrapped(printable(note), width)
        ],
    )
    yield _Part(rank=2, lines=list(_waiting(face, typed, width)))
    yield _Part(rank=0, lines=[Line(text=one) for one in _wrapped(f"Session: {face.counts}", width)])


def _unit(face: Face, width: int) -> Iterator[Line]:
    name = printable(f"{face.serial}  {face.model}".strip())
    if face.phase == "opening":
        yield Line(text="THE BENCH IS BEING OPENED", style="bold")
    elif face.phase == "measuring" or (face.safe is None and face.serial):
        yield Line(text=f"MEASURING  {name}", style="bold reverse")
        yield from (Line(text=one) for one in _wrapped(printable(face.progress) or "begins", width))
    elif face.serial:
        yield Line(text=f"Last unit: {name}", style="bold")
    if face.phase == "waiting":
        yield Line(text=f"SCAN THE NEXT UNIT  ({END.upper()} ends)", style="bold reverse")


def _verdict(face: Face, width: int) -> _Part:
    verdict = face.verdict
    if verdict is None:
        return _Part(rank=3, lines=[])
    style = _STYLES[verdict]
    told = [
        Line(text=one, style=style)
        for one in _wrapped(f"{verdict.value}: {printable(face.met or _WORDS[verdict])}", width)
    ]
    lines = [Line(text=row, style=style) for row in _block(verdict, width)]
    twice = [Line(text=row, style=style) for row in _block(verdict, width, twice=True)]
    shorter = [Line(text=row, style=style) for row in small(verdict.value.split()[0], width)]
    if verdict is Verdict.NOT_MEASURED:
        shorter += [Line(text=row, style=style) for row in small("MEASURED", width)]
    larger = [(1, [*twice, *told])] if twice else []
    return _Part(rank=6, lines=[*lines, *told], fallback=[*shorter, *told], kept=1, larger=larger)


def _block(verdict: Verdict, width: int, *, twice: bool = False) -> list[str]:
    """Return a verdict in block letters, its words on their own where they do not fit beside each other; empty where they do not."""
    word = verdict.value
    words = [word] if large(word, width, twice=twice) else word.split()
    shapes = [large(one, width, cut_out=verdict is Verdict.FAIL, twice=twice) for one in words]
    if not all(shapes):
        return []
    rows = [row for shape in shapes for row in shape]
    edge = "═" * min(width, max(58, *(len(row) for row in rows)))
    return [edge, *rows, edge] if verdict is Verdict.BENCH else rows


def _wrong(face: Face, width: int) -> Iterator[Line]:
    shown = face.wrong[:MOST_WRONG]
    for one in shown:
        yield from (Line(text=row) for row in _wrapped(printable(one), width))
    if len(face.wrong) > len(shown):
        yield Line(text=f"and {len(face.wrong) - len(shown)} more, in the table")
    if face.look_at:
        yield from (
            Line(text=row, style="bold") for row in _wrapped(f"Look at: {printable(face.look_at)}", width)
        )


def _safe(face: Face, width: int) -> _Part:
    if face.safe is False:
        words, style, text = "HANDS OFF", "bold red", safe_line(face)
    elif face.safe:
        words, style, text = "CHANGE", "bold", safe_line(face)
        if face.feels:
            words, style = face.feels.upper(), "bold red"
    elif face.serial:
        words, style, text = "WAIT", "", "Do not touch the unit: it is fed and may transmit."
        if face.question is not None:
            text = "The unit is fed: touch only what is asked for."
    elif face.question is not None:
        words, style, text = ASK, "bold", ""
    else:
        return _Part(rank=2, lines=[])
    if face.question is not None and face.safe is not False:
        words = ASK  # whoever stands back sees what is waited for; whether the unit may be touched stands below it
    told = [Line(text=row, style=style) for row in _wrapped(text, width)] if text else []
    block, *larger = (
        [*(Line(text=row, style=style) for row in rows), *told]
        for rows in (small(words, width), large(words, width), large(words, width, twice=True))
        if rows
    )
    short = [Line(text=row, style=style) for row in _wrapped(f"{words}: {text}".rstrip(": "), width)]
    return _Part(rank=7, lines=block, fallback=short, larger=list(zip((0, 2), larger, strict=False)))


def _question(face: Face, typed: Typed, width: int) -> Iterator[Line]:
    question = face.question
    if question is None:
        return
    for one in question.text:
        yield from (Line(text=row, style="bold") for row in _wrapped(printable(one), width))
    if question.is_typed:
        yield from (Line(text=row) for row in _wrapped(f"> {printable(typed.draft or typed.begun)}_", width))
        said = "typed; " if typed.draft else ""
        yield Line(text=f" {said}F2 take it   F3 leave it ", style="reverse")
    else:
        answers = "   ".join(f"{one.key.upper()} {one.label}" for one in question.choices)
        yield from (Line(text=f" {row} ", style="reverse") for row in _wrapped(answers, width - 2))


def _waiting(face: Face, typed: Typed, width: int) -> Iterator[Line]:
    if typed.begun and (face.question is None or not face.question.is_typed):
        yield Line(text=f"Being typed: {printable(typed.begun)}  (Enter or Tab ends it)")
    if not typed.waiting:
        return
    shown = ", ".join(
        printable(one.serial)[:30] + (f" ({one.times}x)" if one.times > 1 else "")
        for one in typed.waiting[:MOST_WAITING_SHOWN]
    )
    more = len(typed.waiting) - MOST_WAITING_SHOWN
    text = f"{counted(len(typed.waiting), 'scan')} kept, not acted upon: {shown}"
    text += f" and {more} more" if more > 0 else ""
    text += f"; {counted(typed.left_out, 'scan')} had no room" if typed.left_out else ""
    yield from (Line(text=row, style="bold") for row in _wrapped(text, width))


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, max(20, width), break_on_hyphens=False) or [""]
