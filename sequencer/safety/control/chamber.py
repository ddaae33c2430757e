"""The chamber around the unit: what is asked of it, and the proof that its air, and a sensor on the unit, stand there long enough.

A temperature counts as reached once every reading of `soak_s` lay within the tolerance; one that did not begins the soak anew. Before it is
set it is proved that what it reads is its air (`chamber_proof`). After each check it is read again.
Meanwhile the unit is off the air and, where the bench feeds it, without supply, as is customary (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from contextlib import suppress

from drivers.climate import Chamber
from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed, NotSettled, Refused
from drivers.values import Reading
from sequencer.frozen import dataclass
from sequencer.safety.control.chamber_proof import ROOM_C, AirProof, Looking, duration
from sequencer.safety.control.side import present
from sequencer.safety.state import Feels

POLL_S = 30.0
ASKED_AGAIN_S = 300.0
"""After how long a person is asked again who read another temperature than the one asked for."""
NOT_KNOWN = "What the chamber's air reads is not known."
SLICE_S = 1.0
"""How long is waited at a stretch, so that a stop that was asked otherwise than by a signal is seen."""
TOUCHED_BELOW_C, TOUCHED_ABOVE_C = 5.0, 43.0
"""Surfaces that hurt: from about 43 °C on for a long touch (EN ISO 13732-1, from memory); below 5 °C water freezes on them."""
_CAUTIONS: dict[Feels, str] = {
    "hot": "What is in it is hot: let it cool down before you reach in.",
    "cold": "Let it warm up before the door is opened: a cold unit gets wet in the room's air.",
    "": "",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberRules:
    """What the bench file says of its chamber."""

    min_c: float
    max_c: float
    tolerance_c: float
    soak_s: float
    given_up_after_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberFacts:
    """At which temperature the unit was measured: asked for, read of the air and of a sensor on the unit, °C; ``soaked_s`` before it."""

    asked_c: float
    air_c: float
    specimen_c: float | None
    soaked_s: float
    by_hand: bool = False

    def __str__(self) -> str:
        sensor = "" if self.specimen_c is None else f", sensor on the unit {self.specimen_c:.1f} °C"
        said = ", by the word of a person" if self.by_hand else ""
        return f"chamber {self.asked_c:g} °C (air read {self.air_c:.1f} °C{sensor}{said}; soaked {duration(self.soaked_s)})"


class ChamberLine:
    """The chamber of one bench. Raises `InstrumentFault` as the chamber does."""

    def __init__(
        self, find: Callable[[], Chamber | None], *, clock: Clock, rules: ChamberRules | None
    ) -> None:
        self._find = find
        self._clock = clock
        self._rules = rules
        self._stands_since_s = 0.0
        self._given_up: dict[float, NotSettled] = {}
        self._proof = AirProof(clock)
        self._by_hand_c: list[float] = []
        self._measured_c: dict[float, None] = {}
        self.facts: ChamberFacts | None = None
        """Where it was shown to stand; None where it was not brought to a temperature."""
        self.left = ""
        """What its air read when it was stopped, in words."""
        self.feels: Feels = ""
        """What it is to whoever opens the door; where nobody could read it, by what it was set to."""

    def stands_at(self, temperature_c: float) -> bool:
        """Say whether it was brought there already, and still reads so."""
        if self.facts is None or self.facts.asked_c != temperature_c:
            return False
        self._refuse_believing()
        chamber, rules = self._present()
        air, specimen = self._read(chamber)
        if not _within((air, specimen), temperature_c, rules.tolerance_c):
            self.facts = None
            return False
        self._note(chamber, temperature_c, air, specimen)
        return True

    def bring_to(
        self, temperature_c: float, *, check: Callable[[], None], say: Callable[[str], None]
    ) -> None:
        """Bring it to ``temperature_c`` and let the unit soak; ``check`` is asked each second and may raise, ``say`` is told how it goes.

        Raises NotSettled where it is not reached in time, at once where that was so before; Refused outside the bench's range;
        UnexpectedReply where it answers with its setting (see `AirProof`), and for whatever is asked of it afterwards.
        """
        chamber, rules = self._present()
        self.facts = None
        self._refuse_believing()
        if temperature_c in self._given_up:
            raise self._given_up[temperature_c]
        if not rules.min_c <= temperature_c <= rules.max_c:
            raise Refused(
                f"{temperature_c:g} °C refused; it may be set from {rules.min_c:g} to {rules.max_c:g} °C",
                instrument=chamber.name,
                address=chamber.address,
                next_move="Change the temperature asked for, or 'temperature' in the bench file if it misstates the chamber.",
            )
        if chamber.manual:
            self._by_hand_c.append(temperature_c)
            chamber.configure_temperature_c(temperature_c)
            chamber.configure_output_enabled(True)
        else:
            self._prove(chamber, temperature_c, rules, check, say)
        self._soak(chamber, temperature_c, rules, check, say)

    def _prove(
        self,
        chamber: Chamber,
        temperature_c: float,
        rules: ChamberRules,
        check: Callable[[], None],
        say: Callable[[str], None],
    ) -> None:
        """Set it and see its reading follow as air does; what did not is not tried again at that temperature."""
        how = Looking(
            check=check,
            say=say,
            wait=lambda seconds: self._wait(seconds, check),
            given_up_after_s=rules.given_up_after_s,
        )
        range_c = (rules.min_c, rules.max_c)
        try:
            self._proof.set_and_see(
                chamber, temperature_c, tolerance_c=rules.tolerance_c, range_c=range_c, how=how
            )
        except NotSettled as fault:
            self._given_up[temperature_c] = fault
            raise

    def _soak(
        self,
        chamber: Chamber,
        temperature_c: float,
        rules: ChamberRules,
        check: Callable[[], None],
        say: Callable[[str], None],
    ) -> None:
        began_s, since_s = self._clock.now_s(), None
        while True:
            check()
            air, specimen = self._read(chamber)
            now_s = self._clock.now_s()
            if not _within((air, specimen), temperature_c, rules.tolerance_c):
                since_s = None
            elif since_s is None:
                since_s = now_s
            soaked_s = 0.0 if since_s is None else now_s - since_s
            if since_s is not None and soaked_s >= rules.soak_s:
                self._stands_since_s = since_s
                self._note(chamber, temperature_c, air, specimen)
                return
            if now_s - began_s - soaked_s > rules.given_up_after_s:
                self._give_up(chamber, temperature_c, rules, now_s - began_s, (air, specimen))
            say(_told(temperature_c, air, specimen, soaked_s, rules))
            by_hand_s = rules.soak_s if since_s is not None else ASKED_AGAIN_S
            self._wait(by_hand_s if chamber.manual else min(POLL_S, rules.soak_s), check)

    def _wait(self, seconds: float, check: Callable[[], None]) -> None:
        until_s = self._clock.now_s() + seconds
        while (left_s := until_s - self._clock.now_s()) > 0.0:
            self._clock.wait_s(min(SLICE_S, left_s))
            check()

    def _give_up(
        self,
        chamber: Chamber,
        temperature_c: float,
        rules: ChamberRules,
        after_s: float,
        read: tuple[float | None, float | None],
    ) -> None:
        low_c, high_c = temperature_c - rules.tolerance_c, temperature_c + rules.tolerance_c
        chamber.confirm_settings()  # one that has restarted heads for nothing: SettingLost, and the check is made anew
        fault = NotSettled(
            f"set to {temperature_c:g} °C, after {after_s / 60.0:.0f} min {_both(*read)}, and did not stay within {low_c:g} to "
            f"{high_c:g} °C for {rules.soak_s / 60.0:.3g} min",
            instrument=chamber.name,
            address=chamber.address,
            next_move=f"Look at its door, its display and its alarms, and where the sensor on the unit lies{_if_none(read[1])}.",
        )
        self._given_up[temperature_c] = fault
        raise fault

    def confirm(self, temperature_c: float) -> None:
        """Raise NotConfirmed unless it still reads the temperature of the check that ends."""
        chamber, rules = self._present()
        air, specimen = self._read(chamber)
        chamber.confirm_settings()
        if _within((air, specimen), temperature_c, rules.tolerance_c):
            self._note(chamber, temperature_c, air, specimen)
            self._measured_c[temperature_c] = None
            return
        self.facts = None
        raise NotConfirmed(
            f"{_both(air, specimen)} at the end of a check at {temperature_c:g} °C, which is not within {rules.tolerance_c:g} °C of it",
            instrument=chamber.name,
            address=chamber.address,
            next_move=f"Look at its door and its alarms{_if_none(specimen)}; the unit soaks anew before anything is measured there.",
        )

    def stop(self) -> None:
        """Stop it, read back, and read its air: that too where it could not be stopped."""
        furthest_c = self._furthest_c
        self.left = NOT_KNOWN if furthest_c is None else _unread(furthest_c)
        self.feels = "" if furthest_c is None else feels(furthest_c)
        chamber = present(self._find(), "chamber")
        used = self._furthest_c is not None
        self.facts = None
        self._proof.begin_anew()
        try:
            chamber.configure_output_enabled(False)
        finally:
            if used or not chamber.manual:  # nobody is asked to read a chamber that was not used
                self._read_left(chamber)
            else:
                self.left = self.feels = ""

    def _read_left(self, chamber: Chamber) -> None:
        with suppress(InstrumentFault):
            air_c = chamber.read_temperature_c().number
            if self._proof.found_out is not None:
                says = (
                    ""
                    if air_c is None
                    else f"The chamber says {air_c:.1f} °C, and was found to answer with its setting. "
                )
                self.left = says + self.left
            elif air_c is not None:
                self.left, self.feels = _left(air_c), feels(air_c)

    @property
    def _furthest_c(self) -> float | None:
        """Which temperature that it was set to lies furthest from the room's; None where it was set to none."""
        return max(self._by_hand_c + self._proof.set_to_c, key=lambda one: abs(one - ROOM_C), default=None)

    def doubt(self, carried_c: Iterable[float] = ()) -> str:
        """Return why what was measured at a temperature before is in doubt; empty where it is not.

        ``carried_c``: where the part of the run measured that was cut short, °C.
        """
        if self._proof.found_out is None:
            return ""
        points = ", ".join(f"{one:g} °C" for one in dict.fromkeys((*carried_c, *self._measured_c)))
        before = f"; what was measured at {points} before stands on the same reading" if points else ""
        return f"{self._proof.found_out.instrument} was found to answer with its setting{before}: look at its profile, and measure again"

    def _refuse_believing(self) -> None:
        if self._proof.found_out is not None:
            raise self._proof.found_out

    def forget(self) -> None:
        """Take it that another unit stands in it: nothing has soaked."""
        self.facts = None
        self._given_up.clear()
        self._measured_c.clear()

    def _note(
        self, chamber: Chamber, temperature_c: float, air: float | None, specimen: float | None
    ) -> None:
        assert air is not None
        self.facts = ChamberFacts(
            asked_c=temperature_c,
            air_c=air,
            specimen_c=specimen,
            soaked_s=self._clock.now_s() - self._stands_since_s,
            by_hand=chamber.manual,
        )

    def _read(self, chamber: Chamber) -> tuple[float | None, float | None]:
        """Return what the air and the sensor on the unit read, °C: the second None without one, nan where it says nothing."""
        air = chamber.read_temperature_c()
        specimen: Reading | None = chamber.read_specimen_c() if chamber.reads_specimen else None
        if specimen is None:
            return air.number, None
        return air.number, math.nan if specimen.number is None else specimen.number

    def _present(self) -> tuple[Chamber, ChamberRules]:
        chamber = present(self._find(), "chamber")
        if self._rules is None:
            raise RuntimeError("a chamber without rules")
        return chamber, self._rules


def _within(read: tuple[float | None, float | None], temperature_c: float, tolerance_c: float) -> bool:
    air, specimen = read
    return air is not None and all(
        abs(one - temperature_c) <= tolerance_c for one in (air, specimen) if one is not None
    )


def _shown(number: float | None) -> str:
    return "no temperature" if number is None or math.isnan(number) else f"{number:.1f} °C"


def _both(air: float | None, specimen: float | None) -> str:
    """Return in words what the air read, and the sensor on the unit where there is one: each by itself, for one may say nothing."""
    sensor = "" if specimen is None else f" and the sensor on the unit {_shown(specimen)}"
    return f"its air read {_shown(air)}{sensor}"


def _if_none(specimen: float | None) -> str:
    """Return what to do about a sensor on the unit that says nothing."""
    if specimen is None or not math.isnan(specimen):
        return ""
    return ", its plug, or leave 'specimen_temperature' out of its profile if the unit has none"


def _told(
    temperature_c: float, air: float | None, specimen: float | None, soaked_s: float, rules: ChamberRules
) -> str:
    sensor = "" if specimen is None else f", unit {_shown(specimen)}"
    soak = f"; soaked {duration(soaked_s)} of {duration(rules.soak_s)}" if soaked_s > 0.0 else ""
    return f"chamber to {temperature_c:g} °C: air {_shown(air)}{sensor}{soak}"


def _left(air_c: float) -> str:
    return " ".join(filter(None, (f"The chamber's air reads {air_c:.1f} °C.", caution(air_c))))


def _unread(asked_c: float) -> str:
    """Return what is said of air that nobody can read: it is taken to be as it was asked for."""
    text = f"{NOT_KNOWN} It was set to {asked_c:g} °C."
    return f"{text} {caution(asked_c)}".strip()


def feels(air_c: float) -> Feels:
    """Return whether air, and what is in it, hurts or wets whoever opens the door."""
    if air_c >= TOUCHED_ABOVE_C:
        return "hot"
    return "cold" if air_c <= TOUCHED_BELOW_C else ""


def caution(air_c: float) -> str:
    """Return what whoever opens the door is told of it; empty where nothing is to be feared."""
    return _CAUTIONS[feels(air_c)]
