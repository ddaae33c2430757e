"""What is left where a unit stays on the air though its key was released: its supply is cut."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from drivers.faults import NotConfirmed
from drivers.roles import Radio, Supply
from sequencer.safety.control.supply import SupplyLine
from sequencer.safety.proofs.release import Release

MOST_SEEN_ON = (
    2  # once may be a relay that hung for a moment; a unit that is fed a third time transmits a third time
)


class CutOff:
    """The way to the unit's supply when nothing else is obeyed.

    ``is_cut`` says whether the supply reads off since it was cut, its terminals too; ``stays_on`` what was seen last of a unit that was on
    the air though its key reads open, empty where none was; ``stands_still`` whether what saw it showed the same without supply.
    ``send_off_unanswered`` and ``open_missing`` are those of `SafeBench`.
    """

    def __init__(
        self,
        find: Callable[[], Supply | None],
        line: SupplyLine,
        *,
        send_off_unanswered: Callable[[str], None],
        open_missing: Callable[[str], object],
    ) -> None:
        self._find = find
        self._line = line
        self._send_off_unanswered = send_off_unanswered
        self._open_missing = open_missing
        self.is_cut = False
        self.stays_on = ""
        self._seen_on = 0
        self.stands_still = False

    def cut(self) -> None:
        """Release the key once more without waiting for an answer, and cut the supply, confirmed if it answers. Nothing is raised."""
        self._send_off_unanswered("radio")
        self._line.note_cut()
        self._open_missing("supply")
        if self._find() is not None:
            for _ in range(2):
                with suppress(Exception):  # a driver from elsewhere may raise anything
                    self._line.remove()
                    self.is_cut = True
                    break
        if not self.is_cut:
            self._send_off_unanswered("supply")

    def cut_and_say(self) -> str:
        """Cut the supply unless it is cut already; return what a person must know of it."""
        if not self.is_cut:
            self.cut()
        if self.is_cut:
            return "its supply was switched off and reads off"
        return "its supply could not be confirmed off either" if self._find() is not None else ""

    def told(self, failed: str) -> str:
        """Return what is said in the end of a unit that was on the air last; ``failed`` says of what that is the proof."""
        cut = "its supply was switched off and reads off"
        return f"{failed} ({self.stays_on}); {cut}" if self.is_cut else f"{failed} ({self.stays_on})"

    def unless_silent(self, release: Release, radio: Radio) -> None:
        """Cut the supply of a unit whose carrier stays after the release, and raise NotConfirmed with what was seen."""
        if release.is_silent() is not False:
            if release.was_silent:
                self.stays_on = ""
            return
        self.cut()
        what = f"PTT was released and reads released, and {release.seen}"
        if not self.is_cut:
            self.stays_on = what
            what += "; the supply could not be cut: the switch stays where it is"
        elif release.is_seen_falling():
            self.stays_on = what
            self._seen_on += 1
            if self._seen_on >= MOST_SEEN_ON:
                self._line.bar(f"PTT read released {self._seen_on} times, and the unit transmitted")
            what += "; with its supply cut the unit is silent"
        else:
            self.stands_still = True
            what += "; the same with the unit's supply cut, so that the instrument may stand still"
        raise NotConfirmed(
            what,
            instrument=radio.name,
            address=radio.address,
            next_move="Remove the supply from the unit, then look for a stuck push-to-talk (PTT) line, and at that instrument.",
        )
