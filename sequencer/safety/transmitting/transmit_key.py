"""The time that a unit is keyed on the transmit side: pressed for a reading that fits, released for all else."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from contextlib import suppress
from weakref import ref

from typing_extensions import override

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotSettled, Refused
from drivers.roles import Instrument, ModulationAnalyser, Reading
from sequencer.safety.control.key import Key
from sequencer.safety.control.side import Side
from sequencer.safety.control.supply import SupplyLine
from sequencer.safety.proofs.plausible import Span
from sequencer.safety.proofs.release import FREQUENCY
from sequencer.safety.proofs.watch import LastReading
from sequencer.safety.transmitting.carriers import Carriers, near_hz, not_on_channel

WAIT_PART_S = 1.0
ON_ITS_WORD = "that the unit is on this channel rests on the radio's word: "
UNSHOWN = ON_ITS_WORD + "the modulation analyser counts no carrier"
NO_ROOM = ON_ITS_WORD + "the key-down had no time left to count its carrier"
SUPPLY_READINGS = 2  # a second one where the first is none


class KeyedSide(Side, ABC):
    """A key that is down for as long as readings need it, and what was read meanwhile."""

    __slots__ = (
        "_analyser",
        "_bounds_s",
        "_carriers",
        "_goes_itself",
        "_has_carrier",
        "_in_one_go",
        "_joined",
        "_key",
        "_near_hz",
        "_reads_other",
        "_shared",
        "_spans",
        "_supply_line",
        "_under_load",
        "_unfed",
        "_unseen",
        "_unshown",
        "_without_number",
    )

    def __init__(
        self,
        *,
        key: Key,
        analyser: ModulationAnalyser | None,
        clock: Clock,
        frequency_hz: float,
        supply_line: SupplyLine,
        bounds_s: dict[str, float],
        spans: Callable[[float], Mapping[str, Span]],
        has_carrier: bool,
        carriers: Carriers | None,
        spacing_hz: float | None,
    ) -> None:
        super().__init__(clock, frequency_hz)
        self._has_carrier = has_carrier
        self._carriers = carriers or Carriers()
        self._near_hz = near_hz(spacing_hz)
        self._reads_other = False  # whether anything but the carrier's frequency was read of it
        self._unshown = ""
        self._goes_itself = False  # whether the check goes to its channels, and judges where the carrier is
        self._key = key
        self._analyser = analyser
        # Weak, so that no path of attributes leads from a side to the bench and its generator.
        self._supply_line = ref(supply_line)
        self._bounds_s = bounds_s
        self._spans = spans
        self._without_number = set[str]()  # who gave no number on this channel
        self._in_one_go = False
        self._under_load = False  # whether the terminals were read with this voltage and the unit keyed
        self._shared = False  # whether a further check is to be made in the same key-down
        self._joined = False  # whether the key-down that lasts may have begun with another check
        self._unfed = False  # whether something was read keyed since the terminals were
        self._unseen = False  # whether the analyser has read since it last counted the carrier

    def wait_s(self, seconds: float) -> None:
        """Let time pass keyed, on the bench's clock; a long wait is keyed in parts, with the rests that the duty owes."""
        self._refuse_if_left()
        if not math.isfinite(seconds):
            raise ValueError(f"cannot wait {seconds} s")
        # Half, because the press before it takes its share.
        longest_s = min(WAIT_PART_S, self._key.longest_step_s / 2.0)
        if longest_s <= 0.0:
            self._key.allow(WAIT_PART_S)  # refuses, and says why
        remaining_s = seconds
        while remaining_s > 0:
            part_s = min(remaining_s, longest_s)
            self._allow("waiting", part_s, by_person=self._key.is_by_hand and self._reads_by_hand)
            self._clock.wait_s(part_s)
            self._key.confirm_watched()
            remaining_s -= part_s

    def hold_keyed_s(self, seconds: float) -> None:
        """Key the unit and keep it keyed for ``seconds`` in one go; the readings until the next `rest` belong to the same key-down.

        Room is kept for a power reading and the release. Refused where no key-down may last so long. A reading for which the same
        key-down has no room any more raises NotSettled: a fresh key-down would meet a unit that has cooled. Where checks share a key-down
        (`share_key`) the time counts from its beginning.
        """
        reading_s = self._bounds_s.get("power_meter", 2.0)
        done_s = self._key.down_s if self._joined and not self._key.is_by_hand else 0.0
        if not (done_s > 0.0 and self._key.has_room(max(0.0, seconds - done_s) + reading_s)):
            done_s = 0.0
            self._unkey()
            if self._key.is_by_hand:  # the person is told how long; see `drivers.operator.hand_key`
                by_person = self._reads_by_hand
                self._allow("waiting", 0.0, by_person=by_person)
                if by_person:
                    self._key.keep_by_person(seconds)
                else:
                    self.wait_s(seconds)
                return
            self._prove_path(0.0)
            self._unkey()
            self._key.allow(seconds + reading_s)
            self._see_supply(seconds + reading_s)
        self._in_one_go = True
        until_s = self._clock.now_s() + seconds - done_s
        while (remaining_s := until_s - self._clock.now_s()) > 0.0:
            self._clock.wait_s(min(remaining_s, WAIT_PART_S))
            self._key.confirm_watched()

    def pause_s(self, seconds: float) -> None:
        """Let time pass unkeyed, on the bench's clock."""
        self._unkey()
        self._clock.wait_s(seconds)

    def rest(self) -> None:
        """Release the key until the next reading; before that the analyser shows that it still sees the carrier it read by.

        Where a further check is made in the same key-down (`share_key`) it stays down for that.
        """
        if self._shared:
            self._refuse_if_left()
            self._in_one_go = False
            self.confirm_carrier()
            self.confirm_supply()
        else:
            self._unkey()

    def release_at_once(self, why: str = "") -> None:
        """Release the key before anything is asked of an instrument; ``why``, where nothing is keyed any more in this run."""
        self._refuse_if_left()
        self._in_one_go = False
        if self._key.is_down:
            self._key.release()
        if why:
            self._key.bar(
                why, "Turn the unit back with PTT released, or use a path and load of a higher rating."
            )

    def _unkey(self) -> None:
        """Release the key, whoever shares it: what comes now is done unkeyed."""
        self._refuse_if_left()
        self._in_one_go = False
        if self._key.is_down:
            try:
                self.confirm_carrier()
                self.confirm_supply()
            finally:
                self._key.release()

    @property
    def key_down_s(self) -> float:
        """How long the unit has been keyed, s; 0 while PTT is released."""
        return self._key.down_s

    @property
    def key_left_s(self) -> float | None:
        """What is left of the key-down for readings, s; None while PTT is released."""
        return self._key.left_s

    def rest_before_s(self, role: str, *, answers: float = 1.0) -> float:
        """Return how long the unit still rests before it may be keyed for a reading of ``role``, s; 0 where that can be taken now.

        PTT is released first where the key-down has no room for as many ``answers``, so that whoever watches sees the rest counted
        down: the reading itself would wait through it without a word.
        """
        self._refuse_if_left()
        if self._key.is_down and not self._key.has_room(
            WAIT_PART_S + answers * self._bounds_s.get(role, 2.0)
        ):
            self._unkey()
        return self._key.rest_left_s

    def share_key(self, *, further: bool) -> None:
        """Say before each check of several in one key-down whether a ``further`` one is made in it: then `rest` leaves the key down.

        All that needs the unit unkeyed, or does not fit into `max_key_time` any more, releases it as ever; the next reading presses it.
        """
        self._joined = self._key.is_down
        self._shared = further

    def make_room(self, step_max_s: float) -> None:
        """Release the key unless a step of at most ``step_max_s`` that sets something, and a release, fit into the key-down that lasts."""
        self._refuse_if_left()
        self._release_unless_room(step_max_s)

    def confirm_carrier(self) -> None:
        """Count the carrier once more where the analyser has read something else, while the unit is still keyed.

        The one figure that is known beforehand: an analyser that gives another, by now, has not read what it was asked before either.
        Raises UnexpectedReply for one that cannot be. An analyser that does not count, or finds no carrier to count (SSB), proves nothing.

        Where anything else was read on a channel on which it was not counted in this run, or was counted elsewhere, it is counted too, of
        checks that share a key-down at its end: NotConfirmed where the unit is not seen to be on its channel.
        """
        analyser, bound_s = self._analyser, self._bounds_s.get("modulation_analyser", 2.0)
        if analyser is None or analyser.manual or not self._key.is_down:
            return
        if self._unseen and self._key.has_room(2.0 * bound_s):
            self._unseen = False
            span = self._spans(self.frequency_hz).get(FREQUENCY)
            with suppress(Refused):
                counted = self._watch.read(
                    FREQUENCY, analyser, analyser.read_frequency_hz, span=span, proves=True
                )
                self._note_counted(counted)
        if self._is_channel_due:
            if self._key.has_room(3.0 * bound_s):
                self._confirm_channel(analyser)
            else:
                self._unshown = NO_ROOM

    @property
    def _is_channel_due(self) -> bool:
        # a person who holds PTT has let go by the time that a dial was read: nothing is left to count
        is_shared = self._shared or self._key.is_by_hand
        judges = self._reads_other and self._has_carrier and not self._goes_itself and not is_shared
        return judges and self._carriers.is_due(self.frequency_hz)

    def _confirm_channel(self, analyser: ModulationAnalyser) -> None:
        """Count the carrier, twice before it is said to be elsewhere; an analyser that the check does not read by may fail."""
        counted: Reading | None = None
        with suppress(InstrumentFault):
            for _ in range(2):
                counted = analyser.read_frequency_hz()
                self._note_counted(counted)
                if not self.is_elsewhere(counted):
                    return
        if counted is None or (counted.number is None and not self._carriers.is_counted):
            self._carriers.give_up(self.frequency_hz)
            self._unshown = UNSHOWN
            return
        raise not_on_channel(analyser, self.frequency_hz, counted)

    @override
    def take_retaken(self) -> str:
        unshown, self._unshown = self._unshown, ""
        return "; ".join(filter(None, (super().take_retaken(), unshown)))

    def is_elsewhere(self, counted: Reading) -> bool:
        """Say whether a counted carrier is nearer to another channel than to this one; so is what could not be counted."""
        return counted.number is None or abs(counted.number - self.frequency_hz) > self._near_hz

    def _note_counted(self, counted: Reading) -> None:
        if counted.number is not None and not self._goes_itself:
            self._unshown = ""
            self._carriers.note(self.frequency_hz, near=not self.is_elsewhere(counted))

    def confirm_supply(self) -> None:
        """Read the terminals behind what was read keyed, while the unit is still keyed: some supplies sag only after a while.

        Raises NotConfirmed where they do not give what was set. Not read where a person holds PTT, or the key-down has no room for it.
        """
        line, bound_s = self._supply_line(), self._bounds_s.get("supply", 2.0)
        is_due = self._unfed and self._key.is_down and not self._key.is_by_hand
        if line is None or not is_due or not self._key.has_room(SUPPLY_READINGS * bound_s):
            return
        self._unfed = False
        line.confirm_voltage()

    @property
    @abstractmethod
    def _reads_by_hand(self) -> bool:
        """Say whether a person reads all that sees the carrier."""

    @property
    def taken(self) -> Mapping[str, LastReading]:
        """The last number of each kind that was read, for the proof that it came from the unit."""
        return self._watch.taken

    @property
    def stands_still(self) -> bool:
        """Say whether an instrument gave the same answer each time."""
        return bool(self._watch.always_alike())

    def _keyed(
        self,
        role: str,
        name: str,
        instrument: Instrument,
        read: Callable[[], Reading],
        *,
        answers: float = 1.0,
    ) -> Reading:
        """Read keyed; ``answers`` is how many answers the reading waits for."""
        self._refuse_if_left()
        if instrument is self._analyser:
            self._unseen = name != FREQUENCY
        self._reads_other |= name != FREQUENCY

        def key() -> None:
            self._allow(role, answers * self._bounds_s.get(role, 2.0), by_person=instrument.manual)

        def watched() -> Reading:
            reading = read()
            self._key.confirm_watched()
            return reading

        span = self._spans(self.frequency_hz).get(name.partition(" at ")[0])
        reading = self._watch.read(name, instrument, watched, span=span, again=read, before=key)
        self._unfed = True
        if reading.number is None:
            self._without_number.add(instrument.name)
        if name == FREQUENCY:
            self._note_counted(reading)
        return reading

    def _allow(self, role: str, step_max_s: float, *, by_person: bool = False) -> None:
        if self._in_one_go and not self._key.has_room(step_max_s):
            self._unkey()
            raise NotSettled(
                "the unit has transmitted as long as 'max_key_time' allows, and the readings were not done; PTT was released",
                instrument=role,
                address="while PTT was pressed",
                next_move="Lower 'keyed_for' or 'readings', or raise 'max_key_time' if the unit allows it.",
            )
        if not self._key.has_room(step_max_s):
            self.confirm_supply()
        if not self._in_one_go:
            self._prove_path(step_max_s)
        line = self._supply_line()
        if (
            self._key.is_by_hand
            and by_person
            and not self._under_load
            and line is not None
            and line.is_due_under_load
        ):
            self._key.allow(step_max_s)  # once with each voltage PTT is held for the supply's own reading
            self._see_supply(step_max_s)
            self._key.release_by_person()
            return
        self._key.allow(step_max_s, by_person=by_person)
        if not by_person:
            self._see_supply(step_max_s)

    @abstractmethod
    def _prove_path(self, step_max_s: float) -> None:
        """Key the unit shortly and see that its carrier comes where it is read, once for each place that the switch moved to.

        A step of ``step_max_s`` must still fit into the key-down.
        """

    def _see_supply(self, step_max_s: float) -> None:
        """See once with each voltage that the terminals give it under load, where there is time for that before the step."""
        if self._under_load or self._in_one_go or (line := self._supply_line()) is None:
            return
        if self._key.has_room(step_max_s + SUPPLY_READINGS * self._bounds_s.get("supply", 2.0)):
            line.confirm_voltage()
            line.note_under_load()
            self._under_load = True

    def _release_unless_room(self, step_max_s: float) -> None:
        if self._key.is_down and not self._key.has_room(step_max_s):
            try:
                self.confirm_supply()
            finally:
                self._key.release()
