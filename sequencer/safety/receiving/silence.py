"""What a tone that a receiver hears proves of the generator that gives it: "off" is off, and its level counts.

A generator answers as it was told, whatever leaves it. The loudspeaker's tone is known beforehand, and its count is not: hiss has no
frequency that stays.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed, Refused, UnexpectedReply
from drivers.roles import Reading, SignalGenerator

TONE = "tone"
SAME_SHARE = 0.01
"""What is counted within this of the tone twice is the tone. Common practice, no source."""
READINGS = 4  # an instrument may still answer for the moment before, and hiss may count alike once
OFF_S, READING_S = 0.3, 0.1
CLEARER_AT_DB, CLEARER_DB = (
    15.0,
    6.0,
)  # by how much SINAD rises at the least over the one: what no scatter does
SINAD_S = 0.25
LOWEST_DBM = (-145.0, -142.0, -140.0, -138.0, -137.0, -136.0, -135.0)
"""Levels at the antenna connector at which hardly a receiver hears a tone; the first that the generator offers is used."""


class Heard:
    """The tone of ``heard_hz`` that the unit makes of one generator's signal, and ``read_hz``, which counts it.

    ``read_sinad_db`` tells how clear it is. ``set_level_dbm`` sets the generator's level at the antenna connector. ``other`` names another
    generator that reads off as well, and may be what is still heard; empty: there is none, or it was shown to be off before.
    """

    def __init__(
        self,
        heard_hz: float,
        *,
        generator: SignalGenerator,
        set_level_dbm: Callable[[float], object],
        read_hz: Callable[[float], Reading],
        read_sinad_db: Callable[[float], Reading],
        clock: Clock,
        other: str = "",
    ) -> None:
        self._other = other
        self.heard_hz = heard_hz
        self._generator = generator
        self._set_level_dbm = set_level_dbm
        self._read_hz = read_hz
        self._read_sinad_db = read_sinad_db
        self._clock = clock

    def confirm(self, heard_dbm: float) -> bool | None:
        """Prove that the level counts, and last that the generator is off: what `confirm_level` and `confirm_off` raise and return.

        ``heard_dbm`` is the level at which the tone was heard: it is set again, so that the last order to switch off is the one that is
        listened to; then the lowest is set, which switches nothing. A generator that is not off outweighs a level that does not count.
        """
        try:
            self.confirm_level()
        except UnexpectedReply:
            self.confirm_off(heard_dbm)
            raise
        is_off = self.confirm_off(heard_dbm)
        if is_off:
            set_lowest(self._set_level_dbm)
        return is_off

    def confirm_off(self, heard_dbm: float | None = None) -> bool | None:
        """Switch the generator off and say whether the tone has gone; None where nothing answers. NotConfirmed where it is still heard.

        ``heard_dbm`` is set before, where the level has been changed since the tone was heard.
        """
        if heard_dbm is not None:
            self._set_level_dbm(heard_dbm)
        self._generator.configure_output_enabled(False)
        still_hz = self._still_hz()
        if still_hz is None or still_hz == 0.0:
            return None if still_hz is None else True
        raise NotConfirmed(
            f"its output reads off, and the unit still hears its tone of {still_hz:.0f} Hz"
            + (f"; it may be that of {self._other}, which reads off too" if self._other else ""),
            instrument=self._generator.name,
            address=self._generator.address,
            next_move=(
                f"Take the cables off {self._generator.name} and {self._other}, one after the other, to see which it is"
                if self._other
                else "Take the cable off the generator"
            )
            + "; PTT is not pressed before it is silent.",
        )

    def confirm_level(self) -> None:
        """Raise UnexpectedReply where the tone is heard at a level at which nothing can be: the generator's level does not count.

        That it is wrong by a constant number of decibels nothing on a bench without a power meter can tell: its accuracy is believed.
        """
        level_dbm = set_lowest(self._set_level_dbm)
        if level_dbm is None:
            return
        self._generator.configure_output_enabled(True)
        still_hz = self._still_hz()
        if not still_hz or self._is_clearer_above(level_dbm):
            return
        raise UnexpectedReply(
            f"the unit hears its tone of {still_hz:.0f} Hz at {level_dbm:g} dBm, where none can be heard, so that it does not follow the "
            "level, which reads back as it was set",
            instrument=self._generator.name,
            address=self._generator.address,
            next_move="Measure its level with a power meter; look at its attenuator, and at what else feeds the unit.",
        )

    def _is_clearer_above(self, level_dbm: float) -> bool:
        """Say whether the tone is clearer at a higher level: a very good receiver hears the lowest, and the level counts all the same."""
        found: list[float] = []
        with suppress(InstrumentFault):
            for at_dbm in (level_dbm, level_dbm + CLEARER_AT_DB):
                self._set_level_dbm(at_dbm)
                self._clock.wait_s(OFF_S)
                found.append(self._read_sinad_db(SINAD_S).number or 0.0)
        return len(found) == 2 and found[1] - found[0] >= CLEARER_DB

    def _still_hz(self) -> float | None:
        """Return what is counted in place of the tone a moment later if that is the tone; 0 where it is not, None for no answer."""
        self._clock.wait_s(OFF_S)
        found_hz = 0.0
        for _ in range(READINGS):
            try:
                reading = self._read_hz(READING_S)
            except InstrumentFault:
                return None
            if reading.number is None or not is_tone(reading.number, self.heard_hz):
                return 0.0
            found_hz = reading.number
        return found_hz


def set_lowest(set_level_dbm: Callable[[float], object]) -> float | None:
    """Set the lowest level that a generator offers and return it; None where that could be heard."""
    for level_dbm in LOWEST_DBM:
        with suppress(Refused):
            set_level_dbm(level_dbm)
            return level_dbm
    return None


def is_tone(found_hz: float, tone_hz: float, *, share: float = SAME_SHARE) -> bool:
    """Say whether what was counted is the tone."""
    return abs(found_hz - tone_hz) <= share * tone_hz
