"""Who is asked: a person at the terminal, or the command line beforehand. Says before a run begins where nobody could be asked."""

from __future__ import annotations

from dataclasses import dataclass

import click

from drivers.operator.prompt import Person
from sequencer.cli.terminal_person import Screen, TerminalPerson
from sequencer.planning.plan import Plan
from sequencer.problems import Complaint, FileProblems, about_file, listed, printable
from sequencer.run.entered import EnteredAtTerminal, EnteredBeforehand, Enterer, given_beforehand, not_given
from sequencer.run.runner import Confirmer

_ANSWERS = {"y": True, "yes": True, "n": False, "no": False, None: False}


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """What the command line says of a part of a sequence, of a repeat, and of readings that a person enters."""

    only: tuple[str, ...] = ()
    again: bool = False
    of: str = ""
    reason: str | None = None
    entered: tuple[str, ...] = ()


class GivenBeforehand:
    """Confirmations stated with --confirmed, for an unattended run."""

    how = "stated beforehand with --confirmed"

    def confirm(self, text: str) -> bool:
        """Return yes: the one who started the run has said so."""
        return True


class AskedAtTerminal:
    """Confirmations asked of the person at the terminal."""

    how = "confirmed at the terminal"

    def __init__(self, screen: Screen) -> None:
        self._screen = screen

    def confirm(self, text: str) -> bool:
        """Ask, and return the answer; no where nobody is there to say yes."""
        person = TerminalPerson(self._screen)
        while (answer := _answer(person, f"{printable(text)} - is that so? [y/n]: ")) not in _ANSWERS:
            click.echo("  allowed: y or n", err=True)
        return _ANSWERS[answer]


class People:
    """Who answers in one run. Raises FileProblems at once where a question would find nobody.

    ``confirmed`` stands for what the sequence asks to confirm. For cables that a person moves in the middle of a check it stands on a
    simulated bench only: on a real one somebody must be there.
    """

    def __init__(self, plan: Plan, *, confirmed: bool, simulated: bool, terminal: bool) -> None:
        self.terminal = terminal
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
        return GivenBeforehand() if self._confirmed else AskedAtTerminal(screen)

    def cables(self, screen: Screen) -> Confirmer:
        """Return who confirms how the cables are."""
        return GivenBeforehand() if self._cables_beforehand else AskedAtTerminal(screen)

    def enterer(self, person: Person | None) -> Enterer:
        """Return who enters readings."""
        return self._beforehand if person is None else EnteredAtTerminal(person, self._beforehand)


def asked_line(question: str) -> str:
    """Ask for a line at the terminal. KeyboardInterrupt for Ctrl-C and for the end of input."""
    answer = TerminalPerson().ask(f"{question} ")
    if answer is None:
        raise KeyboardInterrupt
    return answer.strip()


def _answer(person: TerminalPerson, question: str) -> str | None:
    """Return what is typed, in small letters; None at the end of input, and where a run that is being stopped waits in vain."""
    try:
        answer = person.ask(question)
    except TimeoutError:
        return None
    return None if answer is None else answer.strip().lower()


def refuse_odd_options(chosen: Chosen) -> None:
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
            chosen.reason is not None and not chosen.again,
            "nothing is repeated",
            "--again beside it",
        ),
        ("--of", bool(chosen.of) and not chosen.again, "nothing is repeated", "--again beside it"),
    ]
    complaints = [
        Complaint(file=option, line=0, column=0, message=message, allowed=allowed)
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
                f"this sequence asks for {plan.confirmations} confirmation(s), and there is no terminal to ask at",
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
