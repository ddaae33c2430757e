"""What is said of a file that cannot be used: complaints with a place, collected so that all come at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from sequencer.frozen import dataclass

MOST_SHOWN = 50
"""How many complaints the text of `InputError` spells out; the rest are counted."""

_WIDEST = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """One thing wrong with a file. ``line`` and ``column`` count from 1; both 0 mean the file as a whole.

    ``message`` is the whole sentence; ``found``, ``allowed`` and ``hint`` are its facts, or empty.
    """

    file: str
    line: int = 0
    column: int = 0
    message: str
    found: str = ""
    allowed: str = ""
    hint: str = ""
    source_line: str = ""

    def as_plain(self) -> dict[str, Any]:
        """Return it as plain values, ready for JSON; ``line`` and ``column`` are None where it points to none."""
        return {**asdict(self), "line": self.line or None, "column": self.column or None}

    @property
    def place(self) -> str:
        """``file:line:column``, or the file alone when the complaint is about the whole."""
        return f"{printable(self.file)}:{self.line}:{self.column}" if self.line else printable(self.file)

    def __str__(self) -> str:
        lines = [f"{self.place}: {printable(self.message)}"]
        if self.source_line.strip():
            lines += _pointed(self.source_line, self.column)
        if self.allowed:
            lines.append(f"    allowed: {printable(self.allowed)}")
        if self.hint:
            lines.append(f"    {printable(self.hint)}")
        return "\n".join(lines)


class InputError(Exception):
    """A file (or several), or an option, cannot be used; ``complaints`` holds everything found, in the order of the file."""

    def __init__(self, complaints: Iterable[Complaint]) -> None:
        self.complaints = tuple(complaints)
        super().__init__(self._text())

    def _text(self) -> str:
        shown = [str(complaint) for complaint in self.complaints[:MOST_SHOWN]]
        if left := len(self.complaints) - len(shown):
            shown.append(f"… and {left} more")
        return "\n".join(shown)


FileProblems = InputError
"""The same under its first name."""


def option_problem(
    option: str, message: str, *, found: str = "", allowed: str = "", hint: str = ""
) -> InputError:
    """Return the one complaint about an option of the command line, by its name, to be raised."""
    return about_file(option, message, found=found, allowed=allowed, hint=hint)


def about_file(
    file: object, message: str, *, found: str = "", allowed: str = "", hint: str = ""
) -> FileProblems:
    """Return the one complaint about a file as a whole, to be raised."""
    return FileProblems([Complaint(file=str(file), message=message, found=found, allowed=allowed, hint=hint)])


class FieldProblem(ValueError):
    """Raised by a validator (of one field or across fields) to complain about a place below where it stands.

    ``at`` is the path of keys and indices from the value being validated, as written in the file:
    ``FieldProblem("max is below min", at=("limit", "max"))``. ``at_key`` points at the key, not its value.
    """

    def __init__(
        self,
        message: str,
        *,
        at: Sequence[str | int] = (),
        found: str = "",
        allowed: str = "",
        hint: str = "",
        at_key: bool = False,
    ) -> None:
        self.message = message
        self.at = tuple(at)
        self.found = found
        self.allowed = allowed
        self.hint = hint
        self.at_key = at_key
        super().__init__(message)


class FieldProblems(ValueError):
    """Several `FieldProblem` at once, from one validator."""

    def __init__(self, problems: Iterable[FieldProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(problem.message for problem in self.problems))


def nearest(word: str, known: Iterable[str], *, count: int = 1) -> list[str]:
    """Return the known words most like ``word``, best first; upper and lower case are not told apart."""
    by_folded = {name.casefold(): name for name in known}
    import difflib  # only who has mistyped something waits for it

    found = difflib.get_close_matches(word.casefold()[:60], by_folded, n=count, cutoff=0.6)
    return [by_folded[name] for name in found]


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``did you mean 'x'?`` for the known word nearest to ``word``, or nothing."""
    found = nearest(word, known)
    return f"did you mean '{found[0]}'?" if found else ""


def listed(words: Iterable[str]) -> str:
    """Return the words as a list in a sentence, at most 30 of them."""
    shown = list(words)
    return ", ".join(shown[:30]) + (f" and {len(shown) - 30} more" if len(shown) > 30 else "")


def printable(text: str) -> str:
    """Return ``text`` with all a terminal could act on (escapes, bidirectional marks) spelt out."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def _pointed(line: str, column: int) -> list[str]:
    start = max(0, column - 1 - _WIDEST * 2 // 3)
    shown = line[start : start + _WIDEST]
    pointer = "".join("\t" if c == "\t" else " " for c in shown[: column - 1 - start])
    visible = "".join(c if c.isprintable() or c == "\t" else "\ufffd" for c in shown)
    return [f"    {'…' if start else ''}{visible}", f"    {' ' if start else ''}{pointer}^"]
