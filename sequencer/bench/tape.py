"""A stored trace that answers instead of a bench: what was sent is expected again, what came back comes back, at its time.

While today's code asks what was asked then, each exchange is taken in turn, byte for byte (`Way.EXACT`). At the first that differs the tape
says so (`Departure`), and the check under way is `LOST`: its questions are answered as far as is needed to bring it to its end, and what
it finds counts for nothing. The checks after it are found again at their beginning. There the instruments may stand otherwise than then,
so that settings may be made which were not made then, or left out which were (`RESUMED`); a reading is never taken from elsewhere.

Time is the trace's: each exchange sets the clock to its own, a wait adds to it in between.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager

from drivers.faults import InstrumentFault
from drivers.trace import Direction, Exchange
from sequencer.bench.further import Further
from sequencer.bench.tape_stop import WhereStopped
from sequencer.bench.taped import (
    Departure,
    NeverAsked,
    Taped,
    Way,
    answer_after,
    fault_of,
    is_setting,
    shortest_name,
    shown,
)

_PROOF = re.compile(rb"(\*CLS;)?\*IDN\?", re.I)


class Tape:
    """The trace of one run. It is the bench's clock too.

    ``interrupted``: a person stopped the run: where its trace then leaves a check that has no result, ``interrupt`` is called in place of a
    departure, once. ``cut_short`` says the same of one that ended without a word: its trace holds no way out. ``results_of`` are the
    checks that have results, as they ended. ``steps`` says of each check now which number it had then, None where it was not made;
    without it they are the same.
    """

    def __init__(
        self,
        entries: Sequence[Taped],
        *,
        interrupted: bool = False,
        cut_short: bool = False,
        results_of: Collection[int] = (),
        interrupt: Callable[[], None] | None = None,
        steps: Mapping[int, int | None] | None = None,
    ) -> None:
        # A check that was measured again after a fault has its messages stored together: in time they stand apart.
        self._entries = sorted(entries, key=lambda one: one.exchange.time_s)
        self._steps = steps
        self._at = 0
        self._now_s = self._entries[0].exchange.time_s if self._entries else 0.0
        self._way = Way.EXACT
        self._step = 0
        self._began = self._is_over = False
        self._opened_at = 0
        self._known: dict[tuple[str, bytes], list[int]] | None = None
        self._loose: dict[str, Exchange | None] = {}
        stop = interrupt if interrupted or cut_short else None
        self._stop = WhereStopped(self._entries, stop, results_of, cut_short=cut_short)
        self.taken_s = self._now_s
        """The time of the last exchange itself: what waits today may have gone beyond it, where a disk was waited for then."""
        self._may_leave_out = False
        self._is_further = self._is_missing = False
        self.departures: list[Departure] = []
        self.unanswered: dict[int, str] = {}
        """By the number of a check that was lost: the instrument and the first message that the trace has no answer to."""
        self.lost: set[int] = set()
        """The numbers, as they are now, of checks that could not be gone through as they were."""

    # -- the clock ------------------------------------------------------------------------------------------------

    def now_s(self) -> float:
        """Return the time of the last exchange, with what was waited since."""
        return self._now_s

    def wait_s(self, seconds: float) -> None:
        """Let ``seconds`` pass at once."""
        self._now_s += max(0.0, seconds)

    # -- the checks -----------------------------------------------------------------------------------------------

    def begin(self, index: int) -> None:
        """Say that the check with the number ``index`` begins now."""
        was_first, self._began, before, self._step = not self._began, True, self._step, index
        if was_first:
            self._opened_at = self._at
        was_over, self._is_over = self._is_over, False
        self._may_leave_out = False
        then = index if self._steps is None else self._steps.get(index)
        if then is None:
            self._way = Way.LOST
            self.lost.add(index)
            return
        if self._way is Way.EXACT and self._stop.is_before(then, self._at, after=before):
            self._stop_here()
            return
        here = self._entries[self._at].check_index if self._at < len(self._entries) else None
        if self._way is Way.EXACT and (here == then or was_first):
            return
        start = next((at for at, one in enumerate(self._entries) if one.check_index == then), None)
        if start is None:  # it exchanged nothing
            return
        if self._way is Way.EXACT:
            if self._steps is None:
                self._is_over = was_over
                self._depart("", "")
                self._is_over = False
            self._way = Way.RESUMED
        elif self._way is Way.LOST:
            self._way = Way.RESUMED
        self._move_to(start)

    def over(self, index: int) -> None:
        """Say that the check with the number ``index`` is over: what departs from the trace after it costs it nothing."""
        if index == self._step:
            self._is_over = True

    @contextmanager
    def further(self, confirms: str, *, wanted: bool, sets: bool = True) -> Iterator[Further]:
        """Take further readings from the trace where it has them; else go on as if nobody had asked.

        Where they are not ``wanted`` now, it may have them all the same, since other limits wanted them. They are taken then, too: they may
        have left instruments set otherwise. What ``sets`` nothing is left out if the message that is sent next is another. By the files of
        then all is as it was.
        """
        is_anew = self._steps is not None and self._way is not Way.LOST and not self._is_further
        found = Further(confirms, takes=wanted or (is_anew and sets))
        self._may_leave_out = is_anew and not found.takes
        if not is_anew or not found.takes:
            yield found
            return
        at = self._at
        self._is_further, self._is_missing = True, False
        try:
            yield found
        except InstrumentFault:
            if not self._is_missing:
                raise
        finally:
            self._is_further = False
        if self._is_missing:
            found.is_missing = wanted
            self._at, self._way = at, Way.RESUMED
            self._may_leave_out = True  # others may stand there
            self._loose.clear()

    def end(self) -> None:
        """Say that the run is over: what of the trace was not asked for is a departure too."""
        if self._way is Way.EXACT and self._at < len(self._entries) and not self.departures:
            self._depart("", "")

    @property
    def is_exact(self) -> bool:
        """Whether all that was asked so far was asked then, in that order, and nothing was left out."""
        return self._way is Way.EXACT and not self.departures and not self.lost

    def is_known(self, name: str) -> bool:
        """Say whether an instrument of that name was linked."""
        return any(
            one.exchange.instrument == name and one.exchange.direction is Direction.OPENED
            for one in self._entries
        )

    # -- the links ------------------------------------------------------------------------------------------------

    def opened(self, names: Collection[str]) -> None:
        """Open a link. Raises the fault that it ended in then."""
        one = self._taken(names, Direction.OPENED)
        if one is not None and one.fault:
            raise fault_of(one)

    def closed(self, names: Collection[str]) -> None:
        """Close a link."""
        self._taken(names, Direction.CLOSED)

    def is_next(self, names: Collection[str], *directions: Direction) -> bool:
        """Say whether the next exchange is one of these, on one of the links with these names."""
        one = self._next()
        return (
            self._way is not Way.LOST
            and one is not None
            and one.instrument in names
            and one.direction in directions
        )

    @property
    def next_name(self) -> str:
        """Whose the next exchange is; empty at the trace's end."""
        one = self._next()
        return "" if one is None else one.instrument

    def send(self, names: Collection[str], content: bytes) -> Exchange | None:
        """Send a message; return the fault in which sending it ended then, if it did. Raises `NeverAsked`."""
        for name in names:
            self._loose.pop(name, None)
        one = self._next()
        self._refuse_missing(names, content)
        if self._way is not Way.LOST and one is not None and one.instrument in names:
            if one.direction is Direction.SENT and one.content == content:
                self._may_leave_out = False
                self._take()
                return None
            if one.direction is Direction.RECEIVED and one.fault:  # it never got so far
                self._take()
                return one
        self._stop_where_it_stopped()
        if self._way is not Way.LOST and self._may_leave_out and self._left_out_to(names, content):
            return None
        if self._way is Way.RESUMED and self._skipped_to(names, content):
            return None
        if self._is_further:
            self._is_missing = True
            self._refuse_missing(names, content)
        if self._way is Way.EXACT:
            self._depart(shortest_name(names), shown(content))
        self._answer_loosely(names, content)
        return None

    def answer(self, names: Collection[str]) -> Exchange:
        """Return what came back. Raises `NeverAsked` where nothing did then."""
        for name in names:
            if name in self._loose:
                found = self._loose.pop(name)
                if found is None:
                    break
                return found
        if self._way is not Way.LOST and (one := self._taken(names, Direction.RECEIVED)) is not None:
            return one
        self._refuse_missing(names, b"")
        self._stop_where_it_stopped()
        if self._way is Way.EXACT:
            self._depart(shortest_name(names), "(an answer)")
        raise self.never_asked(names, b"")

    def never_asked(self, names: Collection[str], content: bytes) -> NeverAsked:
        """Return the fault of a message that the trace has no answer to; the check is lost with it."""
        self._stop_where_it_stopped()
        self._way = Way.LOST
        if not self._is_over:
            self.lost.add(self._step)
            self.unanswered.setdefault(self._step, f"{shortest_name(names)}: {shown(content)}")
        return self._unanswered(names, content)

    def _refuse_missing(self, names: Collection[str], content: bytes) -> None:
        """Raise `NeverAsked` among further readings once one of them is missing: none of what follows has an effect."""
        if self._is_further and self._is_missing:
            raise self._unanswered(names, content)

    def _unanswered(self, names: Collection[str], content: bytes) -> NeverAsked:
        return NeverAsked(
            "the stored run has no answer to this: it was never asked",
            instrument=shortest_name(names),
            address="the stored trace",
            command=shown(content),
            next_move="Measure the check again on the bench.",
        )

    def is_in_step(self, names: Collection[str]) -> bool:
        """Say whether the link with these names was in step where the trace is now: nothing made it whole before it was used next."""
        return self._stop.is_in_step(self._at, names)

    # -- within ---------------------------------------------------------------------------------------------------

    def _next(self) -> Exchange | None:
        return self._entries[self._at].exchange if self._at < len(self._entries) else None

    def _take(self) -> Exchange:
        one = self._entries[self._at].exchange
        self._at += 1
        self._now_s = max(self._now_s, one.time_s)
        self.taken_s = one.time_s
        return one

    def _taken(self, names: Collection[str], direction: Direction) -> Exchange | None:
        """Take the next exchange if it is of that kind; None if it is not, which the next message then shows."""
        return self._take() if self.is_next(names, direction) else None

    def _move_to(self, place: int) -> None:
        self._at = place
        if place < len(self._entries):
            self._now_s = max(self._now_s, self._entries[place].exchange.time_s)

    def _depart(self, instrument: str, now: str) -> None:
        one = self._next()
        self.departures.append(
            Departure(
                place=self._at + 1,
                check_index=self._step,
                instrument=instrument or ("" if one is None else one.instrument),
                then=""
                if one is None
                else f"{one.instrument}: {one.direction.value} {shown(one.content)}".rstrip(),
                now=now,
            )
        )
        if not self._is_over:
            self.lost.add(self._step)

    def _stop_where_it_stopped(self) -> None:
        """Stop the run where it was stopped: in a check that has no result, whose messages end here."""
        if self._way is Way.EXACT and self._stop.may_be_in(self._step):
            self._stop_here()

    def _stop_here(self) -> None:
        if self._stop.leaves_nothing(self._at):  # what follows nobody knows
            self._way = Way.LOST
        self._stop.now()

    def _left_out_to(self, names: Collection[str], content: bytes) -> bool:
        """Leave out further readings that nobody asks for now: what is sent next stands behind them, in the same check."""
        check = self._entries[self._at].check_index if self._at < len(self._entries) else None
        for at in range(self._at, len(self._entries)):
            one = self._entries[at].exchange
            if self._entries[at].check_index != check:
                return False
            if one.direction is Direction.SENT and one.instrument in names and one.content == content:
                self._way, self._may_leave_out = Way.RESUMED, False
                self._move_to(at)
                self._take()
                return True
        return False

    def _skipped_to(self, names: Collection[str], content: bytes) -> bool:
        """Take a message a little further on in the check, where nothing but settings stands between."""
        for at in range(self._at, len(self._entries)):
            one = self._entries[at].exchange
            if one.direction is Direction.SENT:
                if one.instrument in names and one.content == content:
                    self._move_to(at)
                    self._take()
                    return True
                if not is_setting(one.content):
                    return one.instrument in names and self._asked_in_part(at, content)
            if self._entries[at].check_index != self._entries[self._at].check_index:
                return False
        return False

    def _asked_in_part(self, at: int, content: bytes) -> bool:
        """Take a question that is a part of the one at ``at``: what was set and stands is asked for together, and less may be set now."""
        asked, wanted = self._entries[at].exchange, content.strip().split(b";")
        there = asked.content.strip().split(b";")
        found = (answer_after(self._entries, at) or b"").strip().split(b";")
        if len(there) != len(found) or len(there) < 2 or not set(wanted) <= set(there):
            return False
        told = dict(zip(there, found, strict=True))
        self._move_to(at + 2)
        self._loose[asked.instrument] = Exchange(
            time_s=self._now_s,
            instrument=asked.instrument,
            direction=Direction.RECEIVED,
            content=b";".join(told[part] for part in wanted) + b"\n",
        )
        return True

    def _answer_loosely(self, names: Collection[str], content: bytes) -> None:
        """Find an answer elsewhere in the trace. Raises `NeverAsked`.

        While the check may still count, for a setting alone, and for what was asked when the link was made: it is asked again of one that
        is made whole.
        """
        if self._way is Way.EXACT:
            self._way = Way.LOST
        places = [at for name in names for at in self._places().get((name, content), ())]
        if not places and _PROOF.fullmatch(content.strip()):  # a link that is made whole is proved with this
            places = [at for name in names for at in self._places().get((name, b"*IDN?\n"), ())]
        answers = {answer_after(self._entries, at) for at in places}
        counts = self._way is Way.RESUMED
        is_harmless = is_setting(content) or any(at < self._opened_at for at in places)
        if not places or (counts and (len(answers) > 1 or not is_harmless)):
            raise self.never_asked(names, content)
        at = min(places, key=lambda one: (one < self._at, abs(one - self._at)))
        found = answer_after(self._entries, at)
        name = self._entries[at].exchange.instrument
        self._loose[name] = (
            None
            if found is None
            else Exchange(time_s=self._now_s, instrument=name, direction=Direction.RECEIVED, content=found)
        )

    def _places(self) -> dict[tuple[str, bytes], list[int]]:
        """Return where each message was sent that did not end in a fault."""
        if self._known is None:
            self._known = defaultdict(list)
            for at, entry in enumerate(self._entries):
                one = entry.exchange
                after = self._entries[at + 1].exchange if at + 1 < len(self._entries) else None
                if one.direction is Direction.SENT and not (after is not None and after.fault):
                    self._known[one.instrument, one.content].append(at)
        return self._known
