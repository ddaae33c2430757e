"""Who is asked: a person at the terminal, or the command line beforehand. Says before a run begins where nobody could be asked.

Questions stand on standard error, answers come from standard input, line by line. What was typed before a question is not an answer
to it: it is dropped, as a late answer on a wire is. Once the run is being stopped a question waits for a minute only: somebody may
have sent SIGTERM to a terminal that nobody sits at.
"""

from __future__ import annotations

import os
import re
import select
import shutil
import signal
import sys
import textwrap
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import Any, Protocol

from drivers.operator.prompt import Person
from sequencer.frozen import dataclass
from sequencer.planning.plan import OrderAsked, Plan
from sequencer.problems import Complaint, FileProblems, about_file, listed
from sequencer.run.interrupt import Stopper
from sequencer.run.people.confirm import AskedAtTerminal, Confirmer, GivenBeforehand
from sequencer.run.people.entered import (
    EnteredAtTerminal,
    EnteredBeforehand,
    Enterer,
    given_beforehand,
    not_given,
)
from sequencer.units.format import counted

STOPPING_ANSWER_S = 60.0
_LOOK_S = 0.2
_LONGEST_LINE = 4096
INDENT = "    "
_SECONDS = re.compile(r"(?m)^\([A-Z][A-Za-z ]*: (\d+) s to (?:answer|go)\)")
"""What is counted down, at the beginning of a line."""


class Screen(Protocol):
    """Whatever else is shown on the terminal."""

    def pause(self) -> None:
        """Clear it away."""

    def resume(self) -> None:
        """Show it again."""


class _NothingShown:
    def pause(self) -> None:
        """Nothing to clear away."""

    def resume(self) -> None:
        """Nothing to show again."""


def columns() -> int:
    """Return the width of the terminal that questions stand on."""
    with suppress(OSError, ValueError):
        if not os.environ.get("COLUMNS"):
            return os.get_terminal_size(sys.stderr.fileno()).columns or 80
    return shutil.get_terminal_size().columns


def wrapped(text: str, width: int) -> str:
    """Return a question wrapped at words, each line no longer than ``width`` less one; what follows a line's first is indented."""
    end = text[len(text.rstrip(" ")) :]
    lines = [
        textwrap.fill(
            line, max(20, width - 1), subsequent_indent=INDENT, break_long_words=False, break_on_hyphens=False
        )
        for line in text.rstrip(" ").split("\n")
    ]
    return "\n".join(lines) + end


class Countdown:
    """The seconds in a question that are counted down where it stands, on a terminal that can move its cursor."""

    def __init__(self, shown: str) -> None:
        able = (
            os.environ.get("TERM", "dumb") not in ("", "dumb")
            and sys.platform != "win32"
            and sys.stderr.isatty()
        )
        found = _SECONDS.search(shown) if able else None
        self._found = found
        self._said = int(found[1]) if found is not None else 0
        self._up = shown.count("\n", found.end()) if found is not None else 0

    def show(self, passed_s: float) -> None:
        """Write what is left after ``passed_s`` in place of what stood there; what is being typed stays."""
        if self._found is None:
            return
        left = max(0, int(self._found[1]) - int(passed_s))
        if left == self._said:
            return
        self._said = left
        text = self._found.group().replace(self._found[1], str(left).rjust(len(self._found[1])), 1)
        up = f"\x1b[{self._up}A" if self._up else ""
        sys.stderr.write(f"\x1b7{up}\r{text}\x1b8")
        sys.stderr.flush()


class TerminalPerson:
    """A `drivers.operator.prompt.Person` at this process's terminal. ``screen`` is paused while a question stands."""

    def __init__(self, screen: Screen | None = None, *, descriptor: int | None = None) -> None:
        self._screen: Screen = screen or _NothingShown()
        self._descriptor = sys.stdin.fileno() if descriptor is None else descriptor
        self._held = b""

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Show ``text`` and return the line that is typed; None at the end of input. TimeoutError after ``within_s``."""
        self._screen.pause()
        try:
            self._drop_typed_ahead()
            shown = wrapped(text, columns())
            sys.stderr.write(shown)
            sys.stderr.flush()
            return self._line(shown, within_s)
        finally:
            self._screen.resume()

    def stop(self, why: str) -> None:
        """Do what Ctrl-C does: the way to a safe bench is the same. Returns where signals are only counted."""
        sys.stderr.write(f"\nstopping: {why}\n")
        signal.raise_signal(signal.SIGINT)

    def _line(self, text: str, within_s: float | None) -> str | None:
        began_s, requests = time.monotonic(), _requests()
        counting = Countdown(text)
        while b"\n" not in self._held and len(self._held) <= _LONGEST_LINE:
            waited_s = time.monotonic() - began_s
            counting.show(waited_s)
            _look()
            limit_s = within_s
            if _requests() > requests:  # Ctrl-C throws away what was typed, and is only counted now
                requests = _requests()
                sys.stderr.write(f"\n  The run is being stopped already.\n{text}")
                sys.stderr.flush()
            if requests:
                limit_s = min(STOPPING_ANSWER_S, within_s if within_s is not None else STOPPING_ANSWER_S)
            if limit_s is not None and waited_s >= limit_s:
                sys.stderr.write("\n(no answer in time)\n")
                raise TimeoutError(f"no answer within {limit_s:g} s")
            if not self._is_ready(limit_s, waited_s):
                continue
            try:
                more = os.read(self._descriptor, _LONGEST_LINE)
            except OSError:  # the terminal is gone
                return None
            if not more:
                return None
            self._held += more
        line, _, self._held = self._held.partition(b"\n")
        return line.decode("utf-8", "replace").rstrip("\r")

    def _is_ready(self, limit_s: float | None, waited_s: float) -> bool:
        if (
            sys.platform == "win32"
        ):  # select knows sockets only there; the answer is waited for without a limit
            return True
        # Looked at again every now and then: a signal that is only counted does not end the wait by itself.
        look_s = _LOOK_S if limit_s is None else max(0.0, min(_LOOK_S, limit_s - waited_s))
        return bool(select.select([self._descriptor], [], [], look_s)[0])

    def _drop_typed_ahead(self) -> None:
        self._held = b""
        if sys.platform == "win32" or not os.isatty(self._descriptor):
            return
        import termios

        termios.tcflush(self._descriptor, termios.TCIFLUSH)


def _stopper() -> Stopper | None:
    handler: Any = signal.getsignal(signal.SIGINT)
    owner = getattr(handler, "__self__", None)
    return owner if isinstance(owner, Stopper) else None


def _requests() -> int:
    """Return how often the run has been asked to stop."""
    stopper = _stopper()
    return stopper.requests if stopper is not None else 0


def _look() -> None:
    """Look whether something else than a signal asks to stop: it counts while a question waits, too. Raises Interrupted."""
    if (stopper := _stopper()) is not None and not stopper.requests:
        stopper.look()


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """What the command line says of a part of a sequence, of its order, of a repeat, and of readings that a person enters."""

    only: tuple[str, ...] = ()
    order: OrderAsked = "written"
    again: bool = False
    of: str = ""
    reason: str | None = None
    entered: tuple[str, ...] = ()


class People:
    """Who answers in one run. Raises FileProblems at once where a question would find nobody.

    ``confirmed`` stands for what the sequence asks to confirm. For cables that a person moves in the middle of a check it stands on a
    simulated bench only: on a real one somebody must be there. ``person`` makes whoever is asked, beside a screen.
    """

    def __init__(
        self,
        plan: Plan,
        *,
        confirmed: bool,
        simulated: bool,
        terminal: bool,
        person: Callable[[Screen], TerminalPerson] = TerminalPerson,
    ) -> None:
        self.terminal = terminal
        self.person = person
        self._plan = plan
        self._confirmed = confirmed
        self._beforehand = EnteredBeforehand()
        self._cables_beforehand = confirmed and simulated
        if plan.confirmations and not confirmed and not terminal:
            raise nobody_to_ask(plan)
        if plan.by_hand and not self._cables_beforehand and not terminal:
            raise nobody_at_the_cables(plan, simulated=simulated)

    def take_beforehand(self, words: tuple[str, ...]) -> None:
        """Take the readings that were given with --entered."""
        self._beforehand = given_beforehand(words, self._plan.to_enter)
        missing = not_given(self._beforehand, self._plan.to_enter)
        if missing and not self.terminal:
            raise nobody_to_read(self._plan, missing)

    def confirmer(self, screen: Screen) -> Confirmer:
        """Return who confirms what the sequence asks for."""
        return GivenBeforehand() if self._confirmed else AskedAtTerminal(partial(self.person, screen))

    def cables(self, screen: Screen) -> Confirmer:
        """Return who confirms how the cables are."""
        return GivenBeforehand() if self._cables_beforehand else AskedAtTerminal(partial(self.person, screen))

    def enterer(self, person: Person | None) -> Enterer:
        """Return who enters readings."""
        return self._beforehand if person is None else EnteredAtTerminal(person, self._beforehand)


def asked_line(question: str) -> str:
    """Ask for a line at the terminal. KeyboardInterrupt for Ctrl-C and for the end of input."""
    answer = TerminalPerson().ask(f"{question} ")
    if answer is None:
        raise KeyboardInterrupt
    return answer.strip()


def refuse_odd_options(chosen: Chosen, *, in_batch: bool = False) -> None:
    """Raise FileProblems for options that say nothing together."""
    odd = [
        (
            "--again",
            chosen.again and not chosen.only,
            "it repeats chosen checks, and none is chosen",
            "--only CHECK beside it",
        ),
        (
            "--reason",
            chosen.reason is not None and not chosen.again and not in_batch,
            "nothing is repeated",
            "--again beside it, or --batch where a unit is tested again",
        ),
        (
            "--batch",
            in_batch and chosen.again,
            "a repeat belongs to the batch of the run that it repeats",
            "--again without it",
        ),
        ("--of", bool(chosen.of) and not chosen.again, "nothing is repeated", "--again beside it"),
    ]
    complaints = [
        Complaint(file=option, message=message, allowed=allowed)
        for option, is_odd, message, allowed in odd
        if is_odd
    ]
    if complaints:
        raise FileProblems(complaints)


def no_reason() -> FileProblems:
    """Return the complaint that a repeat has no reason, and that nobody can be asked for it."""
    return about_file(
        "--again",
        "a repeat needs its reason, and there is no terminal to ask at",
        allowed="--reason TEXT, such as 'plug was loose'",
    )


def nobody_at_the_cables(plan: Plan, *, simulated: bool) -> FileProblems:
    """Return the complaint that a person must move cables and cannot be asked to."""
    step = plan.by_hand[0]
    return FileProblems(
        [
            plan.sequence.source.complain(
                (*step.at, "check"),
                f"a person moves cables in {step.check.name}, and there is no terminal to ask at",
                allowed="a terminal, or --confirmed on this simulated bench"
                if simulated
                else "a terminal, with somebody at the bench",
            )
        ]
    )


def nobody_to_read(plan: Plan, names: list[str]) -> FileProblems:
    """Return the complaint that readings are missing which nobody can be asked for."""
    step = next(step for step in plan.steps if getattr(step.settings, "name", None) == names[0])
    return FileProblems(
        [
            plan.sequence.source.complain(
                (*step.at, "check"),
                f"a person reads {listed(names)}, and there is no terminal to ask at",
                allowed=f"a terminal, or --entered '{names[0]}=…' for each",
            )
        ]
    )


def nobody_to_ask(plan: Plan) -> FileProblems:
    """Return the complaint that confirmations are asked for and nobody can give them."""
    asked = next(step for step in plan.steps if step.check.name == "confirm")
    return FileProblems(
        [
            plan.sequence.source.complain(
                asked.at,
                f"this sequence asks for {counted(plan.confirmations, 'confirmation')}, and there is no terminal to ask at",
                allowed="a terminal, or --confirmed if everything it asks for has been set",
            )
        ]
    )


def nobody_to_operate(plan: Plan, names: list[str]) -> FileProblems:
    """Return the complaint that instruments are worked by a person and nobody is there."""
    return FileProblems(
        [
            plan.bench.source.complain(
                ("instruments", names[0], "driver"),
                f"a person sets and reads {' and '.join(names)}, and there is no terminal to ask at",
                allowed="a terminal; or --dry-run, which asks nobody",
            )
        ]
    )
