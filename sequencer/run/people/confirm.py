"""Who says that something stands as it should: the one who started the run, beforehand, or a person who is asked."""

from __future__ import annotations

import getpass
from collections.abc import Callable
from typing import Protocol

from drivers.operator.prompt import Person
from sequencer.problems import printable

_ANSWERS = {"y": True, "yes": True, "n": False, "no": False, None: False}


class Confirmer(Protocol):
    """Whoever says that something stands as it should. One that also has `who` (an account, a name) has it kept with the answer."""

    how: str

    def confirm(self, text: str) -> bool:
        """Return whether it does."""


class GivenBeforehand:
    """Confirmations stated with --confirmed, for an unattended run."""

    how = "stated beforehand with --confirmed"

    def __init__(self) -> None:
        self.who = _account()

    def confirm(self, text: str) -> bool:
        """Return yes: the one who started the run has said so."""
        return True


class AskedAtTerminal:
    """Confirmations asked of a person; ``person`` returns whoever is there when a question comes."""

    how = "confirmed at the terminal"

    def __init__(self, person: Callable[[], Person]) -> None:
        self._person = person
        self.who = _account()

    def confirm(self, text: str) -> bool:
        """Ask, and return the answer; no where nobody is there to say yes."""
        person, question = self._person(), f"{printable(text)} - is that so? [y/n]: "
        answer = _answer(person, question)
        while answer not in _ANSWERS:
            answer = _answer(person, f"  allowed: y or n\n{question}")
        return _ANSWERS[answer]


def _answer(person: Person, question: str) -> str | None:
    """Return what is typed, in small letters; None at the end of input, and where a run that is being stopped waits in vain."""
    try:
        answer = person.ask(question)
    except TimeoutError:
        return None
    return None if answer is None else answer.strip().lower()


def _account() -> str:
    """Return the name of the account that this process runs under; empty where the system has none."""
    try:
        return printable(getpass.getuser())
    except (KeyError, OSError):
        return ""
