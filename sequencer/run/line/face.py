"""What a station shows at one moment, as plain values: whoever draws it knows nothing of the bench."""

from __future__ import annotations

from dataclasses import asdict
from enum import StrEnum
from typing import Any, Literal

from sequencer.frozen import dataclass
from sequencer.problems import printable

Phase = Literal["opening", "waiting", "measuring", "asking", "typing", "stopped"]
YES, NO, OTHER = "f2", "f3", "f4"
"""The keys of an answer; they count only where no other key came with them, so that no scan answers a question."""
END = "f10"
"""The key that ends a session."""


class Verdict(StrEnum):
    """What the screen says of a unit, in the words that are on it."""

    PASS = "PASS"
    FAIL = "FAIL"
    NOT_MEASURED = "NOT MEASURED"
    BENCH = "BENCH"


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One answer: its key, and what it does in words."""

    key: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Something only the person at the station can say; ``text`` names what stands against going on, a line each.

    Without ``choices`` a text is typed: `YES` takes it, `NO` takes it back.
    """

    text: tuple[str, ...]
    choices: tuple[Choice, ...] = ()

    @property
    def is_typed(self) -> bool:
        """Say whether a text is asked for."""
        return not self.choices


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """What a session has come to so far, in units; ``again`` are further attempts at a unit that had a verdict."""

    passed: int = 0
    failed: int = 0
    not_measured: int = 0
    bench: int = 0
    first_passed: int = 0
    first_tested: int = 0
    again: int = 0

    def __str__(self) -> str:
        said = [f"passed {self.passed}", f"failed {self.failed}"]
        said += [f"not measured {self.not_measured}"] * bool(self.not_measured)
        said += [f"bench {self.bench}"] * bool(self.bench)
        said += [f"again {self.again}"] * bool(self.again)
        if self.first_tested:
            share = 100.0 * self.first_passed / self.first_tested
            said.append(f"first-pass yield so far {self.first_passed} of {self.first_tested} ({share:.0f} %)")
        return ", ".join(said)


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """What is shown. ``verdict`` is that of ``serial``, the unit under way or the last one; None where there is none.

    ``met`` says of limits that were met how, where there is more to say than that: that some are met conditionally only.

    ``safe`` says whether the unit may be changed (None while it is measured, or nothing was looked at yet) and ``safe_why`` what was
    read back, or what was not. ``wrong`` says what failed, a line each, and ``look_at`` which check to look at. ``turn`` counts how often
    the station has waited: what is scanned within one turn belongs to it.
    """

    phase: Phase
    turn: int = 0
    head: tuple[str, ...] = ()
    serial: str = ""
    model: str = ""
    verdict: Verdict | None = None
    met: str = ""
    wrong: tuple[str, ...] = ()
    look_at: str = ""
    safe: bool | None = None
    safe_why: str = ""
    chamber: str = ""
    """What the air of a chamber reads, in words, with what to wait for before its door is opened; empty without one."""
    feels: Literal["hot", "cold", ""] = ""
    """Whether it must be waited for."""
    progress: str = ""
    counts: Counts = Counts()
    notes: tuple[str, ...] = ()
    question: Question | None = None
    asked: int = 0
    """The number of the question, so that no key pressed before it answers it."""


def safe_line(face: Face) -> str:
    """Return whether the unit may be changed, and why or why not; before it what to wait for at the door of a chamber."""
    if face.safe:
        words = "Then the unit may be changed" if face.feels else "The unit may be changed"
        return printable(f"{face.chamber} {words}: {face.safe_why}".strip())
    return printable(f"DO NOT TOUCH THE UNIT: {face.safe_why} {face.chamber}".strip())


def as_plain(face: Face) -> dict[str, Any]:
    """Return a face for JSON."""
    return asdict(face)


def from_plain(told: dict[str, Any]) -> Face:
    """Return the face that `as_plain` was made of."""
    question = told.pop("question")
    if question is not None:
        choices = tuple(Choice(**one) for one in question["choices"])
        question = Question(text=tuple(question["text"]), choices=choices)
    verdict = told.pop("verdict")
    facts: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in told.items()
    }
    facts |= {"counts": Counts(**told["counts"]), "question": question}
    return Face(**facts, verdict=None if verdict is None else Verdict(verdict))
