"""What a side remembers of its readings: how each is written, what it may be, and whether it responds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace

from drivers.faults import InstrumentFault, LinkFault, TimedOut, UnexpectedReply
from drivers.roles import Instrument, RangeState, Reading, Samples
from sequencer.frozen import dataclass
from sequencer.safety.proofs.plausible import Form, Span, cut_short, implausible, is_within

TRANSIENT = (RangeState.OVER_RANGE, RangeState.UNDER_RANGE, RangeState.NO_MEASUREMENT)
"""What an instrument that has just changed its range says once; said twice it counts. That there is nothing may be what passes."""

MOST_RETAKEN = 5
"""How many readings of one side are taken again after a fault: an instrument that needs more is not to be relied on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LastReading:
    """The last number of one kind, and how to take it again without keying the unit."""

    instrument: Instrument
    number: float
    again: Callable[[], Reading]


class Watch:
    """The readings of one side, by name ("carrier power"): each is whole and possible, or it is taken again, once.

    A reading is safe to repeat. What was late, lost, garbled, over range or no measurement once is taken again; what is outside its span,
    or shorter than that instrument usually writes, too. Outside its span twice, it raises UnexpectedReply with what was answered.
    """

    def __init__(self) -> None:
        self.taken: dict[str, LastReading] = {}
        self._forms: dict[str, Form] = {}
        self._answers: dict[str, set[str]] = {}
        self._counts: dict[str, int] = {}
        self._recorded: dict[str, bytes] = {}
        self._read_by: set[str] = set()
        self._retaken: Counter[str] = Counter()
        self._left = MOST_RETAKEN

    def read(
        self,
        name: str,
        instrument: Instrument,
        read: Callable[[], Reading],
        *,
        span: Span | None = None,
        again: Callable[[], Reading] | None = None,
        patient: bool = True,
        proves: bool = False,
        before: Callable[[], object] = lambda: None,
    ) -> Reading:
        """Return one reading of ``name``; ``again`` takes it without keying the unit.

        ``before`` is done before each reading, and not a second time where it fails itself: it may press PTT.

        ``patient`` takes what was no number once more; a search does without: it asks again by itself. ``proves``: the figure
        is known beforehand, and one outside its span is not asked for again: of an instrument that answers the question before, the
        second answer would be right.
        """
        reading = self._first(instrument, before, read)
        if proves and span is not None and not is_within(reading, span):
            raise implausible(instrument, name, reading, reading, span)
        if self._is_doubtful(name, instrument, reading, span, patient=patient):
            before()
            first, reading = reading, read()
            if span is not None and not is_within(reading, span):
                raise implausible(instrument, name, first, reading, span)
            if reading.is_cut:
                raise cut_short(instrument, name, first, reading)
        if reading.number is not None:
            self._read_by.add(instrument.name)
            self.taken[name] = LastReading(instrument=instrument, number=reading.number, again=again or read)
            self._answers.setdefault(instrument.name, set()).add(reading.raw)
            self._counts[instrument.name] = self._counts.get(instrument.name, 0) + 1
        return replace(reading, by=instrument.name, address=instrument.address)

    def record(self, name: str, instrument: Instrument, record: Callable[[], Samples]) -> Samples:
        """Return one recording of ``name``. Raises UnexpectedReply for one that is the last one again, sample by sample.

        Noise is never alike twice: such an instrument hands over what it recorded before.
        """
        samples = record()
        found = samples.content.tobytes()
        if found == self._recorded.get(name) and any(found):
            raise UnexpectedReply(
                f"{name}: two recordings are the same to the last sample: the second is not a new one",
                instrument=instrument.name,
                address=instrument.address,
                next_move="Check whether it records anew each time it is told to, and the profile's 'record'.",
            )
        self._recorded[name] = found
        self._read_by.add(instrument.name)
        return samples

    def has_read(self, instrument: Instrument) -> bool:
        """Say whether the instrument has given a number, or a recording."""
        return instrument.name in self._read_by

    def always_alike(self) -> list[str]:
        """Return the names of the instruments that have given more than one reading and the same answer each time."""
        return [
            name
            for name, answers in self._answers.items()
            if len(answers) == 1 and "" not in answers and self._counts[name] > 1
        ]

    def take_retaken(self) -> str:
        """Return in words how many readings were taken again since the last call, and after what; empty for none."""
        retaken, self._retaken = self._retaken, Counter()
        if not (times := retaken.total()):
            return ""
        taken = "one reading was" if times == 1 else f"{times} readings were"
        return f"{taken} taken again after {' and '.join(retaken)}"

    def _first(
        self, instrument: Instrument, before: Callable[[], object], read: Callable[[], Reading]
    ) -> Reading:
        before()
        try:
            return read()
        except (LinkFault, UnexpectedReply) as fault:
            if instrument.manual or not self._left:
                raise
            self._left -= 1
            before()
            reading = read()
            self._retaken[_after(fault)] += 1
            return reading

    def _is_doubtful(
        self, name: str, instrument: Instrument, reading: Reading, span: Span | None, *, patient: bool
    ) -> bool:
        if not is_within(reading, span) or reading.is_cut:
            return True
        if instrument.manual:
            return False
        if reading.number is None:
            return patient and reading.state in TRANSIENT
        return self._forms.setdefault(name, Form()).is_short(reading.raw)


def _after(fault: InstrumentFault) -> str:
    """Return in words after what a reading is taken again."""
    if isinstance(fault, TimedOut):
        return "a time-out"
    return "an interrupted connection" if isinstance(fault, LinkFault) else "an answer that made no sense"
