"""The pattern of a model's serials: a small part of regular expressions, always held against the whole serial.

It is matched here and not by `re`, whose backtracking takes for ever on a pattern such as (a+)+b. A part of the pattern turns the set of
places reached so far into the set of those reached behind it; a serial is short, so that a set is the bits of one number.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import core_schema
from typing_extensions import override

from sequencer.problems import FieldProblem

LONGEST_SERIAL = 64
"""Characters that a serial may have."""
LONGEST_PATTERN = 100
DEEPEST = 3
"""How deep groups may stand in each other."""
_NEVER = frozenset('/\\:*?"<>|')
"""What no serial holds: it names files."""
_CLASSES: dict[str, Callable[[str], bool]] = {
    "d": lambda one: "0" <= one <= "9",
    "w": lambda one: one == "_" or (one.isascii() and one.isalnum()),
}
_SIGNS = frozenset("()[]{}|?*+.^$\\")
ALLOWED = (
    "letters and digits as they are, \\d (a digit), [A-F], . (any one), ( | ), "
    "and ? * + {4} {2,6} behind one of them, such as 'M40-\\d{4}'"
)
_Step = Callable[[str, int], int]
"""Takes the serial and the set of places reached; returns the set reached behind it."""
_ODD_SERIALS = ("70318842", "zqk", "QX7JW", "Q-7-x-Y-30")
"""Serials of makes that have nothing in common: a pattern that fits three of them says nothing of a model."""
_TOO_MANY = 3


class SerialPattern:
    """A pattern that a serial fits as a whole or not. Raises FieldProblem for a text that is no such pattern."""

    __slots__ = ("_step", "text")

    def __init__(self, text: str) -> None:
        self.text = text
        if len(text) > LONGEST_PATTERN:
            raise _wrong(f"a pattern of {len(text)} characters", f"at most {LONGEST_PATTERN} characters")
        body = text.removeprefix("^")
        if body.endswith("$") and not body.endswith("\\$"):
            body = body[:-1]
        self._step = _Reader(body, text).read()
        if self.fits(""):
            raise _wrong(f"'{text}' fits an empty serial", "a pattern that begins as the model's serials do")
        if sum(map(self.fits, _ODD_SERIALS)) >= _TOO_MANY:
            raise _wrong(
                f"'{text}' fits any serial, or nearly any",
                "what only this model's serials have, such as 'M40-\\d{4}'",
            )

    def fits(self, serial: str) -> bool:
        """Say whether the whole of ``serial`` fits; one longer than a serial may be does not."""
        return len(serial) <= LONGEST_SERIAL and bool(self._step(serial, 1) >> len(serial) & 1)

    @override
    def __eq__(self, other: object) -> bool:
        return isinstance(other, SerialPattern) and other.text == self.text

    @override
    def __hash__(self) -> int:
        return hash(self.text)

    @override
    def __str__(self) -> str:
        return self.text

    @classmethod
    def __get_pydantic_core_schema__(
        cls, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Read it from a text."""
        return core_schema.no_info_after_validator_function(
            cls,
            core_schema.str_schema(min_length=1, strict=True),
            serialization=core_schema.to_string_ser_schema(),
        )


def _wrong(message: str, allowed: str = ALLOWED) -> FieldProblem:
    return FieldProblem(message, allowed=allowed)


class _Reader:
    """Reads a pattern from left to right."""

    def __init__(self, body: str, whole: str) -> None:
        self._body = body
        self._whole = whole
        self._at = 0

    def read(self) -> _Step:
        """Return the whole pattern as a step."""
        step = self._choice(0)
        if self._at < len(self._body):
            raise _wrong(f"'{self._whole}' closes a bracket that was not opened")
        return step

    def _peek(self) -> str:
        return self._body[self._at : self._at + 1]

    def _take(self) -> str:
        one = self._peek()
        if not one:
            raise _wrong(f"'{self._whole}' ends in the middle of something")
        self._at += 1
        return one

    def _choice(self, depth: int) -> _Step:
        steps = [self._row(depth)]
        while self._peek() == "|":
            self._take()
            steps.append(self._row(depth))
        return steps[0] if len(steps) == 1 else _any_of(steps)

    def _row(self, depth: int) -> _Step:
        steps: list[_Step] = []
        while self._peek() not in ("", "|", ")"):
            steps.append(self._repeated(self._item(depth)))
        return _one_after_another(steps)

    def _item(self, depth: int) -> _Step:
        one = self._take()
        if one == "(":
            if depth >= DEEPEST:
                raise _wrong(f"'{self._whole}' nests too deeply", f"{DEEPEST} levels of brackets")
            if self._peek() == "?":
                raise _wrong(f"'{self._whole}': '(?' is not read here")
            step = self._choice(depth + 1)
            if not self._peek():
                raise _wrong(f"'{self._whole}' leaves a bracket open")
            self._take()
            return step
        if one == "[":
            return _character(self._set())
        if one == "\\":
            return _character(self._escaped())
        if one == ".":
            return _character(lambda found: True)
        if one in _SIGNS:
            raise _wrong(f"'{self._whole}': nothing stands before '{one}', or it is not read here")
        return _character(self._literal(one))

    def _literal(self, one: str) -> Callable[[str], bool]:
        if one in _NEVER or not one.isprintable():
            raise _wrong(f"'{self._whole}': no serial holds {one!r}")
        return lambda found: found == one

    def _escaped(self) -> Callable[[str], bool]:
        one = self._take()
        if one in _CLASSES:
            return _CLASSES[one]
        if one.isalnum():
            raise _wrong(f"'{self._whole}': '\\{one}' is not read here")
        return self._literal(one)

    def _set(self) -> Callable[[str], bool]:
        tests: list[Callable[[str], bool]] = []
        if self._peek() == "^":
            raise _wrong(f"'{self._whole}': a class that leaves out is not read here")
        while (one := self._take()) != "]":
            if one == "\\":
                tests.append(self._escaped())
                continue
            first, last = one, one
            if self._peek() == "-" and self._body[self._at + 1 : self._at + 2] not in ("]", ""):
                self._take()
                last = self._take()
                if last < first:
                    raise _wrong(f"'{self._whole}': '{first}-{last}' runs backwards")
            tests.append(_within(first, last))
        if not tests:
            raise _wrong(f"'{self._whole}': '[]' holds nothing")
        return lambda found: any(test(found) for test in tests)

    def _repeated(self, step: _Step) -> _Step:
        sign = self._peek()
        if sign not in ("?", "*", "+", "{") or not sign:
            return step
        self._take()
        low, high = {"?": (0, 1), "*": (0, LONGEST_SERIAL), "+": (1, LONGEST_SERIAL)}.get(
            sign
        ) or self._counts()
        if self._peek() in ("?", "*", "+", "{") and self._peek():
            raise _wrong(f"'{self._whole}': two counts stand behind each other")
        return _times(step, low, high)

    def _counts(self) -> tuple[int, int]:
        inner = ""
        while (one := self._take()) != "}":
            inner += one
        low, comma, high = inner.partition(",")
        if not (low.isascii() and low.isdigit()) or (high and not (high.isascii() and high.isdigit())):
            raise _wrong(f"'{self._whole}': '{{{inner}}}' is not a count", "{4} or {2,6}")
        least = int(low[:4])
        most = least if not comma else int(high[:4]) if high else LONGEST_SERIAL
        if not least <= most <= LONGEST_SERIAL or most == 0:
            raise _wrong(
                f"'{self._whole}': '{{{inner}}}' is out of range",
                f"at most {LONGEST_SERIAL}, the lower first",
            )
        return least, most


def _within(first: str, last: str) -> Callable[[str], bool]:
    return lambda found: first <= found <= last


def _character(test: Callable[[str], bool]) -> _Step:
    def step(serial: str, reached: int) -> int:
        fitting = 0
        for at, found in enumerate(serial):
            if reached >> at & 1 and test(found):
                fitting |= 2 << at
        return fitting

    return step


def _one_after_another(steps: list[_Step]) -> _Step:
    def step(serial: str, reached: int) -> int:
        for one in steps:
            if not reached:
                return 0
            reached = one(serial, reached)
        return reached

    return step


def _any_of(steps: list[_Step]) -> _Step:
    def step(serial: str, reached: int) -> int:
        together = 0
        for one in steps:
            together |= one(serial, reached)
        return together

    return step


def _times(inner: _Step, low: int, high: int) -> _Step:
    def step(serial: str, reached: int) -> int:
        found = reached if low == 0 else 0
        for count in range(1, high + 1):
            reached = inner(serial, reached)
            if not reached or (count >= low and reached | found == found):
                break  # nowhere new
            if count >= low:
                found |= reached
        return found

    return step
