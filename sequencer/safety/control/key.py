"""The push-to-talk line, with the bench's key-down limits kept by arithmetic before each step."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Protocol
from weakref import ref

from drivers.clock import Clock
from drivers.faults import NotSettled, Refused
from drivers.roles import Radio
from sequencer.frozen import dataclass
from sequencer.safety.control.tallied import let_rest
from sequencer.safety.proofs.standstill import Standstill, stood_still
from sequencer.safety.remembered.announced import Announce, Announced, to_nobody
from sequencer.safety.remembered.key_memory import LONGEST_COUNTED_S, KeyMemory
from sequencer.safety.watchdog import KeyWatch, Unwatched

MOST_UNSEEN = 2  # times in a row: once may be a unit that missed its key, the second time keys blindly


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratings:
    """What the bench file's `protection` allows.

    ``max_key_time_s`` above 0; ``key_duty`` above 0 to 1, key-down time over all time; ``max_receiver_input_dbm`` at the antenna
    connector; ``max_supply_voltage_v`` and ``max_meter_dbm`` are the supply's and the power meter's own entries, and so
    is ``supply_accuracy_percent``, None where nobody stated it. ``path_rating_dbm`` is what
    the transmit path bears.
    """

    max_key_time_s: float = 20.0
    key_duty: float = 0.5
    max_receiver_input_dbm: float = 0.0
    max_supply_current_a: float = 6.0
    max_supply_voltage_v: float = 16.0
    max_meter_dbm: float = 20.0
    supply_accuracy_percent: float | None = None
    path_rating_dbm: float = math.inf


class ShownReleased:
    """The dials that a person has read with PTT released since the switch moved, and what they showed last with it pressed."""

    def __init__(self) -> None:
        self._on: set[tuple[str, float]] = set()
        self._last: dict[str, float] = {}

    def covers(self, name: str, number: float, carrier_hz: float) -> bool:
        """Say whether the dial ``name``, which shows ``number`` at ``carrier_hz``, need not be read released: it has fallen and moved."""
        if (name, carrier_hz) in self._on:
            return True
        return any(one == name for one, _ in self._on) and self._last.get(name) != number

    def note(self, shows: Mapping[str, float], carrier_hz: float, *, asked: str) -> None:
        """Take note of what the dials showed last, and which of them was read with PTT released; empty for none."""
        self._last.update(shows)
        if asked:
            self._on.add((asked, carrier_hz))


class KeyKeeper(Protocol):
    """Whoever can say whether the bench may be keyed, and take the supply away when the key will not open."""

    def confirm_transmit(self) -> None:
        """Raise `InstrumentFault` unless every generator reads off and the switch reads `transmit`."""

    def cut_off(self) -> None:
        """Stop a unit whose key could not be released by whatever is left; what cannot be done is not raised."""


class Key:
    """The push-to-talk line of one unit.

    Key-down is bounded under one failure at a time: a lost answer, a dead link or any number of slow answers, not several at
    once. After a key-down of T the unit rests T·(1 - duty)/duty, whatever the next one will be.
    """

    def __init__(
        self,
        radio: Radio,
        clock: Clock,
        ratings: Ratings,
        *,
        release_max_s: float,
        keeper: KeyKeeper,
        owed_rest_s: float = 0.0,
        memory: KeyMemory | None = None,
        announce: Announce = to_nobody,
        watch: KeyWatch | None = None,
        standstill: Standstill | None = None,
    ) -> None:
        self._radio = radio
        self._clock = clock
        self._ratings = ratings
        self._release_max_s = release_max_s
        # Weak, so that no path of attributes leads from a side through its key to a generator.
        self._keeper = ref(keeper)
        self._pressed_at_s: float | None = None
        self._rested_from_s = clock.now_s()
        self._owed_rest_s = owed_rest_s
        self._memory = memory or KeyMemory()
        self._announce = announce
        self._watchdog: KeyWatch = watch or Unwatched()
        self._standstill = standstill
        self._stood = 0
        self._barred: tuple[str, str] | None = None
        self._unseen = 0
        self.ordered_s: tuple[float, float] | None = None
        """Between which moments the last order to press or to release went out and was answered, s; None where one was given again."""
        self.presses = 0
        """How often the unit was keyed."""
        self.comes_up_s = 0.0
        """How long after a press the unit was first seen, s; 0 for one that was seen at once."""
        self.path_is_proved = False
        """Whether the power meter has seen the unit's carrier since the switch was last moved: nothing else tells where it goes."""
        self.released = ShownReleased()
        """What a person has read with PTT released since then."""

    def bar(self, why: str, next_move: str) -> None:
        """Key nothing any more in this run: ``why`` says what was seen."""
        self._barred = (why, next_move)

    @property
    def is_barred(self) -> bool:
        """Say whether nothing is keyed any more."""
        return self._barred is not None

    def note_late(self) -> None:
        """Take note that the unit was seen only now, after looks that showed nothing: each further press waits as long for it."""
        if self._pressed_at_s is not None:
            self.comes_up_s = max(self.comes_up_s, self._clock.now_s() - self._pressed_at_s)

    def note_coming(self, ago_s: float) -> None:
        """Take note that the unit had come up so long ago only: each further press waits as long for it as it took."""
        if self._pressed_at_s is not None:
            self.comes_up_s = max(self.comes_up_s, self._clock.now_s() - ago_s - self._pressed_at_s)

    @property
    def is_unseen(self) -> bool:
        """Say whether the power meter, asked, saw nothing of the unit when PTT was pressed last: it may yet come on."""
        return self._unseen > 0

    def note_carrier(self, *, seen: bool | None) -> None:
        """Note whether the power meter saw the unit while it was keyed; None where it was not asked.

        Where it saw nothing twice in a row, nothing is keyed any more: a transmitter that works sends its power somewhere else,
        and the switch's own word says nothing of a contact that stuck.
        """
        if seen is None:
            return
        self._unseen = 0 if seen else self._unseen + 1
        self.path_is_proved = seen
        if self._unseen >= MOST_UNSEEN:
            self.bar(
                f"the power meter saw nothing of the unit {MOST_UNSEEN} times in a row while PTT was pressed; its power may go into "
                "the generator or an open connector: PTT is not pressed any more",
                "Switch the supply off, follow the cable from the unit through the path switch to the load and the meter, and see that the "
                "switch moves; then check whether the unit transmits.",
            )

    def note_moved(self) -> None:
        """Take note that the switch moves away: what was proved of the way to the meters is not proved any more."""
        self.path_is_proved = False
        self.released = ShownReleased()

    @property
    def is_down(self) -> bool:
        """Say whether we pressed it and have not released it."""
        return self._pressed_at_s is not None

    @property
    def down_s(self) -> float:
        """How long it has been down, s; 0 where it is not."""
        return 0.0 if self._pressed_at_s is None else self._clock.now_s() - self._pressed_at_s

    def press(self) -> None:
        """Key the unit, after the rest that the duty still owes; generator and switch are asked again just before."""
        if self._barred is not None:
            raise self._refused(*self._barred)
        self._rest()
        if (keeper := self._keeper()) is None:
            raise self._refused("the bench of this push-to-talk line is closed", "Open the bench again.")
        self._await_watchdog()
        keeper.confirm_transmit()
        try:
            self._watchdog.arm(self._ratings.max_key_time_s)
        except OSError as error:
            raise self._unwatched(str(error)) from error
        try:
            self._memory.note_pressed(self._radio)
        except Refused:
            self._watchdog.disarm()
            raise
        self._announce(Announced(what="PTT to be pressed", begins=True))
        self._stood = self._standstill.count() if self._standstill is not None else 0
        self._pressed_at_s = self._clock.now_s()
        self.presses += 1
        self._order(self._radio.key)

    def _await_watchdog(self) -> None:
        try:
            self._watchdog.await_ready()
        except OSError as error:
            raise self._unwatched(str(error)) from error

    def _unwatched(self, why: str) -> Refused:
        """Key nothing any more in this run, and return the refusal: nothing would release PTT if this program stood still."""
        if self._barred is None:
            self._announce(Announced(what="watchdog", begins=False, facts={"said": why}))
        next_move = "Look at unit and bench, see why PTT was not read released in time or the watchdog is gone, then run it again."
        self.bar(f"{why}: PTT is not pressed any more in this run", next_move)
        return self._refused(f"{why}: PTT is not pressed any more in this run", next_move)

    def confirm_watched(self) -> None:
        """Release PTT and raise Refused where the watchdog has acted or is gone, StoodStill where this program stood still.

        What was read since counts for nothing.
        """
        if why := self._watchdog.problem():
            refusal = self._unwatched(why)
            if self.is_down:
                self.release()
            raise refusal
        if self.is_down and self._standstill is not None and (why := self._standstill.since(self._stood)):
            self.release()
            raise stood_still(why)

    def note_off_air(self) -> None:
        """Take note that the unit's supply reads off, where PTT was never read released: it transmits no longer."""
        if self.is_down:
            self._memory.note_off_air()

    def note_reads_released(self) -> None:
        """Take note that PTT reads released, whoever released it."""
        self._watchdog.disarm()

    def release(self) -> None:
        """Release the key, confirmed by read-back; tried twice. If it stays down, the supply is cut before the fault is raised."""
        self._watchdog.note_releasing()
        try:
            self._order(self._radio.unkey)
        except Exception:
            try:
                self._radio.unkey()
            except Exception:
                if (keeper := self._keeper()) is not None:
                    keeper.cut_off()
                raise
        self._watchdog.disarm()
        if self._pressed_at_s is not None:
            now_s = self._clock.now_s()
            down_s = now_s - self._pressed_at_s
            if self.is_by_hand:  # counted from the prompt on; who held it for longer is asked, and says so
                down_s = min(down_s, self._ratings.max_key_time_s)
            down_s = min(
                down_s, LONGEST_COUNTED_S
            )  # a machine that was suspended may have kept it down for a night
            self._owed_rest_s = down_s * (1.0 / self._ratings.key_duty - 1.0)
            self._rested_from_s = now_s
            self._pressed_at_s = None
            self._memory.note_released(self._owed_rest_s)
            self._announce(Announced(what="PTT released", begins=False, facts={"down_s": round(down_s, 6)}))

    def _order(self, give: Callable[[], None]) -> None:
        """Give an order to the radio, and note between which moments it can have reached it."""
        before_s, self.ordered_s = self._clock.now_s(), None
        give()
        self.ordered_s = self._radio.ordered_s or (before_s, self._clock.now_s())

    def rest(self) -> None:
        """Let the rest pass that the duty owes before the next press; nothing while it is down."""
        if self._pressed_at_s is None:
            self._rest()

    def allow(self, step_max_s: float, *, by_person: bool = False) -> None:
        """Make sure that a step of at most ``step_max_s`` and a release after it end inside the key-down limit.

        ``by_person``: a person makes the step, who presses and releases with it where PTT is theirs too.
        Refused if no key-down is long enough for that, NotSettled if keying alone took too long.
        """
        if not self._needed_s(step_max_s) <= self._ratings.max_key_time_s:
            raise self._refused(
                f"a step that may take {step_max_s:g} s and a release of PTT that may take {self._release_max_s:g} s do not fit "
                f"max_key_time {self._ratings.max_key_time_s:g} s; PTT was not pressed",
                "Lower 'timeout' of the instruments in the bench file, or raise 'max_key_time' if the unit allows it.",
            )
        if self.is_down:
            self.confirm_watched()
        if self.is_down and not self.has_room(step_max_s):
            self.release()
        pressed = not self.is_down
        if pressed:
            self.press()
        if not by_person:
            self._radio.hold_key()
        if pressed and not by_person and self.comes_up_s > 0.0:
            self._clock.wait_s(self.comes_up_s)
        if pressed and not self.has_room(step_max_s):
            self.release()
            raise NotSettled(
                f"pressing PTT took so long that a step of {step_max_s:g} s does not fit max_key_time any more; released",
                instrument=self._radio.name,
                address=self._radio.address,
                next_move="Find out why it answers so slowly.",
            )

    @property
    def longest_step_s(self) -> float:
        """Return the longest step that fits into a key-down whose press takes no time; not above 0 where none does."""
        return self._ratings.max_key_time_s - self._release_max_s

    def keep_by_person(self, seconds: float) -> None:
        """Have the person who holds PTT keep it pressed for ``seconds`` before what is read next."""
        self._radio.keep_keyed(seconds)

    def release_by_person(self) -> None:
        """Have the person who holds PTT let go with the dial that is read next: until then only an instrument needed it held."""
        self._radio.release_with_reading()

    @property
    def left_s(self) -> float | None:
        """Return what is left of the key-down for readings, s, never below 0; None while it is not down."""
        if self._pressed_at_s is None:
            return None
        return max(0.0, self.longest_step_s - (self._clock.now_s() - self._pressed_at_s))

    @property
    def rest_left_s(self) -> float:
        """Return what is left of the rest that the duty owes before the next press, s; 0 while it is down."""
        if self._pressed_at_s is not None:
            return 0.0
        return max(0.0, self._owed_rest_s - (self._clock.now_s() - self._rested_from_s))

    @property
    def is_by_hand(self) -> bool:
        """Say whether a person holds the key, so that no program times it."""
        return self._radio.manual

    def has_room(self, step_max_s: float) -> bool:
        """Say whether a step of at most ``step_max_s`` and a release after it fit into the key-down that lasts now."""
        if self._pressed_at_s is None:
            return False
        down_s = self._clock.now_s() - self._pressed_at_s
        return down_s + self._needed_s(step_max_s) <= self._ratings.max_key_time_s

    def _needed_s(self, step_max_s: float) -> float:
        return step_max_s + self._release_max_s

    def _rest(self) -> None:
        remaining_s = self._owed_rest_s - (self._clock.now_s() - self._rested_from_s)
        if remaining_s > 0:
            let_rest(self._clock, remaining_s)

    def _refused(self, what: str, next_move: str) -> Refused:
        return Refused(what, instrument=self._radio.name, address=self._radio.address, next_move=next_move)
