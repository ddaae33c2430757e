"""Readings that a person enters: asked at the terminal, or given beforehand with --entered."""

from __future__ import annotations

import dataclasses
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import field
from typing import Protocol

from drivers.clock import Clock
from drivers.faults import Refused
from drivers.operator.dial import Dial, NotOnDial, plain
from drivers.operator.prompt import Person, Prompter, state_of
from drivers.roles import Reading
from drivers.trace import Direction, Exchange, Trace
from sequencer.checks.unit.enter_reading import ToEnter
from sequencer.frozen import dataclass
from sequencer.problems import Complaint, FileProblems, did_you_mean, listed, printable

CALLED = "person"
"""What stands in the trace where an instrument's name would."""


class Enterer(Protocol):
    """Whoever enters readings."""

    def enter(self, name: str, what: str, dial: Dial, *, clock: Clock, trace: Trace) -> tuple[Reading, str]:
        """Return the reading called ``name`` and how it was given; ``what`` is to be read, on ``dial``."""


@dataclasses.dataclass(slots=True)
class EnteredBeforehand:
    """Readings given with --entered NAME=VALUE; those of one name are taken in the order they were given."""

    given: dict[str, deque[str]] = field(default_factory=dict)

    def enter(self, name: str, what: str, dial: Dial, *, clock: Clock, trace: Trace) -> tuple[Reading, str]:
        """Return the next one given under ``name``."""
        if not self.given.get(name):
            raise Refused(
                f"nobody is there to read {name!r}, and no reading of that name is left",
                instrument=CALLED,
                address="--entered",
                next_move=f"Give it beforehand: --entered '{name}=…'.",
            )
        text = self.given[name].popleft()
        trace(
            Exchange(
                time_s=clock.now_s(),
                instrument=CALLED,
                direction=Direction.RECEIVED,
                content=text.encode("utf-8", "replace"),
                fault="",
            )
        )
        return _reading(text, dial), f"'{printable(text)}' given beforehand with --entered"


@dataclass(frozen=True, slots=True)
class EnteredAtTerminal:
    """Readings asked of the person at the terminal, but for those given beforehand."""

    person: Person
    beforehand: EnteredBeforehand = field(default_factory=EnteredBeforehand)

    def enter(self, name: str, what: str, dial: Dial, *, clock: Clock, trace: Trace) -> tuple[Reading, str]:
        """Ask until there is an answer that can be one."""
        if self.beforehand.given.get(name):
            return self.beforehand.enter(name, what, dial, clock=clock, trace=trace)
        prompter = Prompter(self.person, name=CALLED, address="the terminal", clock=clock, trace=trace)
        reading = prompter.read(printable(what), dial)
        return reading, f"'{printable(reading.raw)}' typed at the terminal"


def _reading(text: str, dial: Dial) -> Reading:
    """Return what a text says on a dial, as a person at the terminal would type it. Raises NotOnDial."""
    if (state := state_of(text)) is not None:
        return Reading(number=None, state=state, raw=text)
    return Reading(number=dial.read(plain(text)), raw=text)


def given_beforehand(words: Sequence[str], wanted: Iterable[ToEnter]) -> EnteredBeforehand:
    """Return what --entered gave, each read on the dial it belongs to. Raises FileProblems with all that is wrong."""
    wanted = list(wanted)
    names = list(dict.fromkeys(one.name for one in wanted))
    dials: dict[str, list[Dial]] = {name: [one.dial for one in wanted if one.name == name] for name in names}
    found = EnteredBeforehand({name: deque() for name in names})
    complaints: list[Complaint] = []

    def complain(message: str, allowed: str, hint: str = "") -> None:
        complaints.append(Complaint(file="--entered", message=message, allowed=allowed, hint=hint))

    for word in words:
        name, equals, text = (part.strip() for part in word.partition("="))
        if not equals or not name or not text:
            complain(
                f"{printable(word)[:60]!r} is not a name and a value",
                "NAME=VALUE, such as 'idle current=120 mA'",
            )
        elif name not in dials:
            entries = listed(names) or "nothing: this sequence asks for no reading"
            complain(
                f"no reading called {printable(name)[:60]!r} is asked for", entries, did_you_mean(name, names)
            )
        elif len(found.given[name]) == len(dials[name]):
            complain(f"{name!r} is given more often than it is asked for", f"{len(dials[name])} time(s)")
        else:
            dial = dials[name][len(found.given[name])]
            try:
                _reading(text, dial)
            except NotOnDial as wrong:
                complain(f"{name}: {wrong}", f"{dial.allowed}, from {dial.allowed_range}; over; no reading")
            found.given[name].append(text)
    if complaints:
        raise FileProblems(complaints)
    return found


def not_given(found: EnteredBeforehand, wanted: Iterable[ToEnter]) -> list[str]:
    """Return the names of readings that are asked for more often than they were given."""
    asked = [one.name for one in wanted]
    return [name for name in dict.fromkeys(asked) if len(found.given.get(name, ())) < asked.count(name)]
