"""The person at the station, for what a check asks: confirmations, readings by hand, instruments without a remote port."""

from __future__ import annotations

import signal
from collections.abc import Callable
from dataclasses import replace

from sequencer.cli.station.plain import PlainOperator
from sequencer.cli.station.screen import WindowOperator
from sequencer.run.line.face import NO, YES, Choice, Face, Phase, Question


class PersonAtStation:
    """A `drivers.operator.prompt.Person` and a `Confirmer`, asked where the station shows everything else.

    ``stopping`` says whether the session is being ended: then nobody is asked any more.
    """

    how = "confirmed at the station"

    def __init__(
        self, operator: WindowOperator | PlainOperator, *, who: str, stopping: Callable[[], bool]
    ) -> None:
        self._operator = operator
        self.who = who
        self._stopping = stopping
        self._asked = 0

    def confirm(self, text: str) -> bool:
        """Ask whether something stands as it should; no where nobody says so."""
        if self._stopping():
            return False
        choices = (Choice(key=YES, label="it is so"), Choice(key=NO, label="it is not"))
        return self._operator.choose(self._face(Question(text=(text,), choices=choices))) == YES

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Show ``text`` and return what is typed; None where nobody does. It stands until it is answered."""
        if self._stopping():
            return None
        question = Question(text=tuple(line for line in text.splitlines() if line.strip()))
        return self._operator.write(self._face(question))

    def stop(self, why: str) -> None:
        """Do what Ctrl-C does."""
        signal.raise_signal(signal.SIGINT)

    def _face(self, question: Question) -> Face:
        """Return the face of now with a question of a check, whose number is none of the station's own."""
        self._asked -= 1
        phase: Phase = "typing" if question.is_typed else "asking"
        return replace(self._operator.face, phase=phase, question=question, asked=self._asked)
