"""What a unit's loudspeaker tells of its supply: a receiver that still hisses is still fed, whatever the supply answers.

A supply whose output relay hangs, or whose answers are what it was told, reads off and reads no voltage. The unit is the only witness
from outside. A receiver that was silent before, its squelch closed, tells nothing either way.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed
from drivers.roles import AudioAnalyser, Instrument, Reading
from sequencer.safety.control.supply import DISCHARGE_S

LOUD_V = 0.02  # four times the faintest hiss that counts as open: more than an open line picks up; common practice, no source
STILL_SHARE = 0.5  # of what it was: what capacitors still feed fades
READING_S = 0.1


class Loudspeaker:
    """The audio analyser at the loudspeaker of a unit, asked whether that unit lives. None or a person's: it tells nothing."""

    def __init__(self, find: Callable[[], AudioAnalyser | None], clock: Clock) -> None:
        self._find = find
        self._clock = clock

    def heard(self) -> Reading | None:
        """Return what the loudspeaker of a unit that is fed gives; None where that is too little to miss, or nothing can be read."""
        reading = self._reading()
        return reading if reading is not None and (reading.number or 0.0) >= LOUD_V else None

    def confirm_silenced(self, before: Reading | None, supply: Instrument) -> None:
        """See that what was heard ``before`` fades now that ``supply`` reads off. Raises NotConfirmed where it goes on.

        A meter that answers with the very same reading stands still, and proves nothing.
        """
        if before is None:
            return
        until_s = self._clock.now_s() + DISCHARGE_S
        was, asked_v = before, STILL_SHARE * (before.number or 0.0)
        while (now := self._reading()) is not None and (now.number or 0.0) > asked_v:
            if now.raw == was.raw:
                return
            if self._clock.now_s() > until_s:
                raise NotConfirmed(
                    f"its output reads off, and the unit's loudspeaker gives {now.number:.3g} V as before ({before.number:.3g} V)",
                    instrument=supply.name,
                    address=supply.address,
                    next_move="Take the leads off the unit, then look at the supply: its output may still be on.",
                )
            was = now
            self._clock.wait_s(DISCHARGE_S / 10.0)

    def _reading(self) -> Reading | None:
        audio = self._find()
        if audio is None or audio.manual:
            return None
        with suppress(InstrumentFault):
            return audio.read_level_v(READING_S)
        return None
