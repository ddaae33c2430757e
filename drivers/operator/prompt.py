"""What is asked of a person, and how answers are understood: numbers, "over", "no reading", "back", "stop", "done".

Every question and answer goes to the trace as bytes on a wire do. A question never gives up: nonsense is answered with what is
allowed, as often as it comes. A step on which safety rests needs the word "done"; for any other step Enter will do.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Protocol

from drivers.clock import Clock
from drivers.faults import ConnectionLost, InstrumentFault, NotConfirmed, Refused, TimedOut, facts_from
from drivers.operator.dial import Dial, NotOnDial, plain, shortened
from drivers.operator.gathered import Gathered, Step
from drivers.roles import RangeState, Reading
from drivers.trace import Direction, Exchange, Trace

_STATES = {
    "over": RangeState.OVER_RANGE,
    "over range": RangeState.OVER_RANGE,
    "under": RangeState.UNDER_RANGE,
    "under range": RangeState.UNDER_RANGE,
    "no reading": RangeState.NO_MEASUREMENT,
    "no measurement": RangeState.NO_MEASUREMENT,
    "none": RangeState.NO_MEASUREMENT,
}
_DONE = ("done", "yes", "y", "ok")
_CANNOT = ("cannot", "no", "n")
_LONGEST_ANSWER = 200
_may_take_back: ContextVar[bool] = ContextVar("may_take_back", default=False)


def state_of(typed: str) -> RangeState | None:
    """Return what "over", "under" and "no reading" mean; None for anything else."""
    return _STATES.get(plain(typed).casefold())


class Person(Protocol):
    """Whoever sits at the bench."""

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Show ``text`` and return the line that is typed; None at the end of input.

        Raises TimeoutError when nothing was typed within ``within_s`` seconds (None: as long as it takes).
        """

    def stop(self, why: str) -> None:
        """Ask for the run to be stopped, as Ctrl-C does; returns where it is being stopped already."""


class TakenBack(Exception):
    """The person takes the previous answer back and wants to give it again."""


@contextmanager
def answers_may_be_taken_back() -> Iterator[None]:
    """Say that whoever asks can go back by one answer: "back" raises `TakenBack` for as long as this lasts."""
    token = _may_take_back.set(True)
    try:
        yield
    finally:
        _may_take_back.reset(token)


class Prompter:
    """Asks the person on behalf of one instrument.

    ``keyed`` says whether the bench holds the unit keyed now; then an answer is waited for ``keyed_s`` at most, so that
    the key-down limit holds however slowly a person reads.
    """

    def __init__(
        self,
        person: Person,
        *,
        name: str,
        address: str,
        clock: Clock,
        trace: Trace | None = None,
        keyed: Callable[[], bool] = lambda: False,
        keyed_s: float = 10.0,
        gathered: Gathered | None = None,
    ) -> None:
        self.gathered = gathered or Gathered()
        self.name = name
        self.address = address
        self.called = "the " + name.replace("_", " ")
        self.clock = clock
        self._person = person
        self._trace = trace
        self._keyed = keyed
        self._keyed_s = keyed_s

    def read(
        self, what: str, dial: Dial, last: float | None = None, *, beside: str = "", keep_s: float = 0.0
    ) -> Reading:
        """Ask for a reading of ``dial``; ``last`` is the reading before, beside which a leap is asked again, once.

        ``beside`` is shown behind the question. ``keep_s``: Enter alone counts so many seconds down, for a PTT that is kept pressed.
        Steps that were gathered are asked for in front of it.
        """
        with self.gathered.asked() as steps:
            before = f"{steps} Then {what[:1].lower()}{what[1:]}" if steps else what
            return self._read(f"{before}, in {dial.unit}{beside}: ", dial, last, keep_s)

    def _read(self, text: str, dial: Dial, last: float | None, keep_s: float) -> Reading:
        doubted, complaint, counted = False, "", ""
        until_s = self._limit()
        while True:
            typed = self._ask(f"{counted}{text}", until_s, complaint)
            if typed == "" and keep_s >= 1.0:
                complaint, counted = "", f"(PTT pressed: {keep_s:.0f} s to go) "
                continue
            counted = ""
            if (state := state_of(typed)) is not None:
                return Reading(number=None, state=state, raw=typed, by_hand=True)
            wrong = self._command(typed.casefold())
            if wrong is None:
                try:
                    number = dial.read(typed)
                except NotOnDial as problem:
                    wrong = str(problem)
                else:
                    if doubted or last is None or not dial.leap(last, number):
                        return Reading(number=number, raw=typed, by_hand=True, step=dial.step_of(typed))
                    doubted = True
                    complaint = f"{dial.show(number)} after {dial.show(last)} is a large step. Look again and type the reading once more."
                    continue
            complaint = f"{wrong}. Allowed: {dial.allowed}, from {dial.allowed_range}; over; no reading; {self._ways_out()}."

    def later(self, what: str, step: Step) -> None:
        """Ask for a step on which no safety rests: with the next reading where steps are gathered, else now.

        ``what`` says what is set by it; a step that waits for the same is forgotten.
        """
        self.gathered.keep(f"{self.name}, {what}", step)
        if not self.gathered.allowed:
            self.finish()

    def drop(self, what: str) -> None:
        """Forget a step that waits: what it would set stands already."""
        self.gathered.drop(f"{self.name}, {what}")

    def finish(self) -> None:
        """Ask for every step that waits, now."""
        with self.gathered.asked() as steps:
            if steps:
                self.tell(steps)

    def tell(self, what: str) -> None:
        """Ask for a step on which no safety rests; Enter or "done" says that it is done."""
        text = f"{what} Then press Enter: "
        until_s, complaint = self._limit(), ""
        while True:
            word = self._ask(text, until_s, complaint).casefold()
            if word in ("", *_DONE):
                return
            if word == "cannot":
                raise self._refused(what)
            wrong = self._command(word) or f"{shortened(word)} is not an answer here"
            complaint = f"{wrong}. Allowed: Enter or done; cannot; {self._ways_out()}."

    def confirm(self, what: str) -> None:
        """Ask for a step on which safety rests: only the word "done" says that it is done.

        NotConfirmed for anything that ends it otherwise.
        """
        text, complaint = f"SAFETY: {what} Type done when it is so: ", ""
        while True:
            try:
                word = self._ask(text, self._limit(), complaint).casefold()
            except (TimedOut, ConnectionLost) as silence:
                raise self._not_confirmed(what, "nobody answered") from silence
            if word == "done":
                return
            if word in _CANNOT:
                raise self._not_confirmed(what, f"the answer was {word!r}")
            if word in ("stop", "quit"):
                self._person.stop("'stop' was typed")
                complaint = (
                    "The run is being stopped; the bench must be left safe first. Allowed: done, or cannot."
                )
            else:
                complaint = f"{shortened(word)} does not say that it is done. Allowed: done, or cannot."

    def answered(self, question: str, *, yes: str = "yes", no: str = "no") -> bool:
        """Ask a question with two answers."""
        text, complaint = f"{question} [{yes} or {no}]: ", ""
        while True:
            word = self._ask(text, self._limit(), complaint).casefold()
            if word in (yes, no):
                return word == yes
            wrong = self._command(word) or f"{shortened(word)} is not an answer here"
            complaint = f"{wrong}. Allowed: {yes}, {no} or stop."

    # -- what all answers share ---------------------------------------------------------------------------------------

    def _command(self, word: str) -> str | None:
        """Carry out "back" and "stop"; return a complaint for what no question understands, None for the question to look at."""
        if word in ("stop", "quit"):
            self._person.stop("'stop' was typed")
            raise Refused(
                "the run is being stopped",
                instrument=self.name,
                address=self.address,
                next_move="Run the check again.",
            )
        if word == "back":
            if _may_take_back.get():
                raise TakenBack
            return "There is no earlier answer here that can be taken back"
        if word == "":
            return "Nothing was typed"
        if word in ("?", "help"):
            return "Help"
        return None

    def _ways_out(self) -> str:
        return "back (give the answer before this again); stop" if _may_take_back.get() else "stop"

    def _limit(self) -> float | None:
        """Return until when (bench clock) the whole question must be answered; None for as long as it takes."""
        return self.clock.now_s() + self._keyed_s if self._keyed() else None

    def _ask(self, text: str, until_s: float | None, complaint: str = "") -> str:
        """Ask ``text``; a ``complaint`` of the answer before stands on a line of its own above it."""
        within_s = None
        if until_s is not None:
            within_s = max(0.0, until_s - self.clock.now_s())
            text = f"(THE UNIT IS TRANSMITTING: {within_s:.0f} s to answer) {text}"
        if complaint:
            text = f"  {complaint}\n{text}"
        self._keep(Direction.SENT, text)
        typed: str | None = None
        with self._time_passing():
            try:
                typed = self._person.ask(text, within_s=within_s)
            except KeyboardInterrupt:
                self._keep(Direction.RECEIVED, "", "interrupted")
                raise
            except TimeoutError as late:
                fault = TimedOut(
                    "nobody answered in time",
                    instrument=self.name,
                    address=self.address,
                    command=text.strip(),
                    next_move="Run the check again, with somebody at the bench.",
                )
                self._keep(Direction.RECEIVED, "", fault)
                raise fault from late
        if typed is None:
            lost = ConnectionLost(
                "the input has ended; nobody is there to answer",
                instrument=self.name,
                address=self.address,
                command=text.strip(),
                next_move="Run it at a terminal, with somebody at the bench.",
            )
            self._keep(Direction.RECEIVED, "", lost)
            self._person.stop("end of input")
            raise lost
        self._keep(Direction.RECEIVED, typed[:_LONGEST_ANSWER])
        return plain(typed[:_LONGEST_ANSWER])

    @contextmanager
    def _time_passing(self) -> Iterator[None]:
        """Let the time that the person takes pass on the bench's clock too, where that clock is virtual."""
        clock_s, began_s = self.clock.now_s(), time.monotonic()
        try:
            yield
        finally:
            missing_s = time.monotonic() - began_s - (self.clock.now_s() - clock_s)
            if missing_s > 0.01:
                self.clock.wait_s(missing_s)

    def _keep(self, direction: Direction, text: str, fault: InstrumentFault | str = "") -> None:
        if self._trace is not None:
            content = text.encode("utf-8", "replace")
            self._trace(
                Exchange(
                    time_s=self.clock.now_s(),
                    instrument=self.name,
                    direction=direction,
                    content=content,
                    fault=str(fault),
                    facts=facts_from(fault) if isinstance(fault, InstrumentFault) else None,
                )
            )

    def note(self, text: str) -> None:
        """Write something into the trace that nobody typed."""
        self._keep(Direction.RECEIVED, "", text)

    def _refused(self, what: str) -> Refused:
        return Refused(
            "the person at the bench says that it cannot be done",
            instrument=self.name,
            address=self.address,
            command=what,
            next_move="Take the check out of the sequence, or put the bench right.",
        )

    def _not_confirmed(self, what: str, why: str) -> NotConfirmed:
        return NotConfirmed(
            f"not confirmed by the person at the bench ({why})",
            instrument=self.name,
            address=self.address,
            command=what,
            next_move="Do it now, by hand; if that is not possible, remove the supply from the unit.",
        )
