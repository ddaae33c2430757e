"""Proof that the second generator stands beside the channel where it says, and not elsewhere, where no receiver would mind it.

Where the plan has a channel there and the bench sets the unit's, the unit listens there: what gave SINAD on its own channel gives about as
much there, or as the first generator does at that place (substitution, textbook). That proves the very offset. Where there is none it is
heard on the channel that lies nearest to it on that side; without any, the offset is drawn in towards the unit's own channel until it is
heard, in SSB and CW so far that the tone that it makes moves by as much. All that proves that it follows its frequency so far; that it
stands at the offset itself then rests on what it reads back.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import field

from drivers.faults import Refused, UnexpectedReply
from drivers.roles import Reading
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.budgets.parts import find_entry
from sequencer.checks.shared.level_search.sensitivity import SensitivitySettingsBase
from sequencer.checks.shared.level_search.sensitivity_reader import REPEAT_S, SWITCH_S, SensitivityReader
from sequencer.checks.shared.level_search.signal_proof import apart_hz
from sequencer.checks.shared.level_search.wanted_signal import UNMODULATED, apply_wanted, carrier_offset_hz
from sequencer.checks.shared.two_signal.listening import ListeningPlace, listening_places
from sequencer.checks.shared.two_signal.second_level import (
    CLEAR_DB,
    AsHeard,
    hear_second,
    heard_second_level,
)
from sequencer.checks.shared.two_signal.settings import highest_dbm
from sequencer.frozen import dataclass
from sequencer.inputs.bench import INTERFERER
from sequencer.safety.control.channel import ChannelRefused
from sequencer.safety.receive import ReceiveSide
from sequencer.units.format import format_quantity

STRONGER_DB = 30.0  # a channel filter takes less half a channel away, or a quarter: workshop's own
TONE_MOVES_HZ, MOVES_SHARE = 150.0, 0.1  # within the narrowest filter of CW about its pitch: workshop's own
NEARER = (0.5, 0.25, 0.1)  # of the channels' spacing


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondProof:
    """What was heard of the second generator before it decides.

    ``fault`` is what is wrong with it; ``heard_hz`` says for each offset at which it was heard in its place, None where at none. Where
    nothing could be looked for, there is neither.
    """

    fault: UnexpectedReply | None = None
    heard_hz: Mapping[float, float | None] = field(default_factory=dict)

    def said(self, offset_hz: float) -> str:
        """Return in words on what an offset rests at which nothing heard it; nothing where it was heard there."""
        heard_hz = self.heard_hz.get(offset_hz, offset_hz)
        if heard_hz == offset_hz:
            return ""
        rests = f"that the second generator stood {_signed(offset_hz)} from the channel rests on what it reads back"
        return rests if heard_hz is None else f"{rests}; at {_signed(heard_hz)} it was heard"


def prove_second(
    side: ReceiveSide,
    settings: SensitivitySettingsBase,
    conditions: Conditions,
    reader: SensitivityReader,
    *,
    level_dbm: float,
    first_db: float | None,
    places_hz: Sequence[float],
    beside_hz: float = 0.0,
) -> SecondProof:
    """Return what is proved of the second generator: its level on the channel, that it leaves that, and that it stands at ``places_hz``.

    It is returned and not raised: what the side proves when it is left (a generator that is not off, a level that does not
    count) says more. ``first_db``, ``level_dbm`` and ``beside_hz`` are those of `heard_second_level`. Both generators are left off, and
    the unit on its own channel.
    """
    heard = heard_second_level(
        side, settings, conditions, reader, level_dbm=level_dbm, first_db=first_db, beside_hz=beside_hz
    )
    if heard is None:
        return SecondProof()
    if isinstance(heard, UnexpectedReply):
        return SecondProof(fault=heard)
    heard_hz: dict[float, float | None] = {one: None for one in places_hz if one}
    if heard_hz and heard.sinad_db is not None and heard.sinad_db >= CLEAR_DB:
        fault = _Places(side, settings, conditions, reader, heard, heard.sinad_db).prove(heard_hz)
        return SecondProof(fault=fault, heard_hz=heard_hz)
    return SecondProof(heard_hz=heard_hz)


@dataclass(frozen=True, slots=True)
class _Places:
    """The second generator beside the channel, heard where something can hear it."""

    side: ReceiveSide
    settings: SensitivitySettingsBase
    conditions: Conditions
    reader: SensitivityReader
    heard: AsHeard
    on_db: float

    def prove(self, heard_hz: dict[float, float | None]) -> UnexpectedReply | None:
        """Fill in at which offset it was heard in place of each; returns what is wrong where it is heard at none that it was told."""
        fault = self._on_other_channels(heard_hz)
        left_hz = [one for one, at_hz in heard_hz.items() if at_hz is None]
        if fault is not None or not left_hz:
            return fault
        with suppress(Refused):
            by_tone = self.conditions.mode in UNMODULATED
            found = self._by_tone(left_hz[0]) if by_tone else self._nearer(left_hz[0])
            if isinstance(found, UnexpectedReply):
                return found
            heard_hz.update({one: found for one in left_hz if found is not None and one * found > 0})
        return None

    # -- the unit on another channel ----------------------------------------------------------------------------------

    def _on_other_channels(self, heard_hz: dict[float, float | None]) -> UnexpectedReply | None:
        """Have the unit listen on the channel nearest to each offset, each once."""
        places = listening_places(self.conditions, tuple(heard_hz))
        for place, offsets_hz in places.items():
            try:
                self.side.listen_on(place.channel)
                found = self._is_there(place)
            except (ChannelRefused, Refused):
                continue
            if isinstance(found, UnexpectedReply):
                self._come_back()
                return found
            if found:
                exact = {one: one if place.is_at(one) else place.offset_hz for one in offsets_hz}
                heard_hz.update(exact)
        if places:
            self._come_back()
        return None

    def _come_back(self) -> None:
        assert self.conditions.channel is not None
        self.side.listen_on(self.conditions.channel)

    def _is_there(self, place: ListeningPlace) -> bool | UnexpectedReply:
        """Say whether it is heard on a channel as it ought to be, or what is wrong; False where the first is heard there no better."""
        least_db = self.on_db - self.heard.within_db
        for _ in range(2):  # one odd reading says nothing
            second_db = self._second_db(self.heard.level_dbm, place.offset_hz)
            if second_db is not None and second_db >= least_db:
                return True
        first_db = self._first_db(self.heard.level_dbm, place.offset_hz)
        if self._is_no_better(first_db, second_db):
            return False
        return self._elsewhere(
            place.offset_hz,
            f"with the unit on channel {place.channel}, which is there, it gives {_shown(second_db)} and the first {_shown(first_db)}",
        )

    def _second_db(self, level_dbm: float, offset_hz: float) -> float | None:
        second_db, _ = hear_second(
            self.side, self.settings, self.conditions, self.reader, level_dbm, beside_hz=offset_hz
        )
        return second_db

    def _first_db(
        self, level_dbm: float, offset_hz: float, read: Callable[[], Reading] | None = None
    ) -> float | None:
        """Return SINAD, or what ``read`` says, with the first generator alone at an offset; it is left off."""
        apply_wanted(self.side, self.settings, self.conditions, level_dbm)
        by_hz = offset_hz + carrier_offset_hz(self.settings, self.conditions.mode)
        self.side.shift_carrier(level_dbm, by_hz=by_hz)
        self.side.wait_s(3.0 * SWITCH_S)
        found = (self.reader.read(REPEAT_S) if read is None else read()).number
        self.side.remove_signal()
        return found

    def _is_no_better(self, first_db: float | None, second_db: float | None) -> bool:
        return (
            first_db is None or first_db < CLEAR_DB or first_db <= (second_db or 0.0) + self.heard.within_db
        )

    # -- towards the own channel --------------------------------------------------------------------------------------

    def _nearer(self, offset_hz: float) -> float | UnexpectedReply | None:
        """Return how far from the channel it is heard on the way in, Hz, or what is wrong; None where nothing can be said."""
        level_dbm = min(self.heard.level_dbm + STRONGER_DB, highest_dbm(self.conditions))
        near_hz = 0.0
        second_db: float | None = None
        for share in NEARER:
            at_hz = math.copysign(share * apart_hz(self.conditions), offset_hz)
            if abs(at_hz) >= abs(offset_hz):
                continue
            near_hz = at_hz
            second_db = self._second_db(level_dbm, near_hz)
            if second_db is not None and second_db >= CLEAR_DB:
                return near_hz
        if not near_hz or self._is_no_better(first_db := self._first_db(level_dbm, near_hz), second_db):
            return None
        return self._elsewhere(
            near_hz,
            f"at {level_dbm:.1f} dBm it gives {_shown(second_db)} there and the first {_shown(first_db)}",
        )

    def _by_tone(self, offset_hz: float) -> float | UnexpectedReply | None:
        """Return what `_nearer` does where the signal is a plain carrier: the tone that it makes moves as far as the carrier."""
        level_dbm = min(self.heard.level_dbm + STRONGER_DB, highest_dbm(self.conditions))
        at_hz = math.copysign(TONE_MOVES_HZ, offset_hz)

        def count() -> Reading:
            return self.side.read_audio_frequency_hz(REPEAT_S)

        def second_hz(beside_hz: float) -> float | None:
            return hear_second(
                self.side,
                self.settings,
                self.conditions,
                self.reader,
                level_dbm,
                beside_hz=beside_hz,
                read=count,
            )[0]

        tone_hz = second_hz(0.0)
        for _ in range(2):  # one odd reading says nothing
            if _moved(tone_hz, moved_hz := second_hz(at_hz)):
                return at_hz
        if not _moved(tone_hz, first_hz := self._first_db(level_dbm, at_hz, count)):
            return None
        shown = "no tone" if moved_hz is None else f"{moved_hz:.0f} Hz"
        told = f"at {level_dbm:.1f} dBm it makes {shown} there and the first {first_hz:.0f} Hz"
        return self._elsewhere(at_hz, told)

    def _elsewhere(self, offset_hz: float, told: str) -> UnexpectedReply:
        named = find_entry(self.conditions.bench, INTERFERER)
        assert named is not None
        return UnexpectedReply(
            f"the second generator is not heard where it was set, {_signed(offset_hz)} from the channel: alone at "
            f"{self.heard.level_dbm:.1f} dBm it gives {self.on_db:.1f} dB SINAD on the channel, but {told}",
            instrument=named[0],
            address=named[1].address,
            next_move="Count its frequency while it is set beside the channel.",
        )


def _moved(tone_hz: float | None, moved_hz: float | None) -> bool:
    """Say whether a tone moved as far as its carrier."""
    if tone_hz is None or moved_hz is None:
        return False
    return abs(abs(moved_hz - tone_hz) - TONE_MOVES_HZ) <= MOVES_SHARE * TONE_MOVES_HZ


def _shown(sinad_db: float | None) -> str:
    return "no SINAD" if sinad_db is None else f"{sinad_db:.1f} dB"


def _signed(offset_hz: float) -> str:
    return f"{'+' if offset_hz > 0 else ''}{format_quantity(offset_hz, 'Hz')}"
