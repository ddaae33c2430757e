"""The chamber around the unit: what is asked of it, and the proof that its air, and a sensor on the unit, stand there long enough.

A temperature counts as reached once every reading of `soak_s` lay within the tolerance; one that did not begins the soak anew. Before it is
set the air is read: a chamber that reads its new temperature at once answers with its setting. After each check it is read again.
Meanwhile the unit is off the air and, where the bench feeds it, without supply, as is customary (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from drivers.climate import Chamber
from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed, NotSettled, Refused, UnexpectedReply
from drivers.values import Reading
from sequencer.frozen import dataclass
from sequencer.safety.control.side import present

POLL_S = 30.0
ASKED_AGAIN_S = 300.0
"""After how long a person is asked again who read another temperature than the one asked for."""
SLICE_S = 1.0
"""How long is waited at a stretch, so that a stop that was asked otherwise than by a signal is seen."""
TOUCHED_BELOW_C, TOUCHED_ABOVE_C = 5.0, 43.0
"""Surfaces that hurt: from about 43 °C on for a long touch (EN ISO 13732-1, from memory); below 5 °C water freezes on them."""


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
        return f"chamber {self.asked_c:g} °C (air read {self.air_c:.1f} °C{sensor}{said}; soaked {self.soaked_s / 60.0:.0f} min)"


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
        self.facts: ChamberFacts | None = None
        """Where it was shown to stand; None where it was not brought to a temperature."""
        self.left = ""
        """What its air read when it was stopped, in words."""

    def stands_at(self, temperature_c: float) -> bool:
        """Say whether it was brought there already, and still reads so."""
        if self.facts is None or self.facts.asked_c != temperature_c:
            return False
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
        UnexpectedReply where it reads its new temperature as soon as it is set.
        """
        chamber, rules = self._present()
        self.facts = None
        if temperature_c in self._given_up:
            raise self._given_up[temperature_c]
        if not rules.min_c <= temperature_c <= rules.max_c:
            raise Refused(
                f"{temperature_c:g} °C refused; it may be set from {rules.min_c:g} to {rules.max_c:g} °C",
                instrument=chamber.name,
                address=chamber.address,
                next_move="Change the temperature asked for, or 'temperature' in the bench file if it misstates the chamber.",
            )
        before, _ = (None, None) if chamber.manual else self._read(chamber)
        chamber.configure_temperature_c(temperature_c)
        chamber.configure_output_enabled(True)
        if before is not None:
            self._refuse_echo(chamber, temperature_c, before, rules)
        self._soak(chamber, temperature_c, rules, check, say)

    def _refuse_echo(
        self, chamber: Chamber, temperature_c: float, before: float, rules: ChamberRules
    ) -> None:
        reading = chamber.read_temperature_c()
        if reading.number is None or abs(before - temperature_c) <= 2.0 * rules.tolerance_c:
            return
        if abs(reading.number - temperature_c) <= rules.tolerance_c:
            raise UnexpectedReply(
                f"it read {before:.1f} °C, was set to {temperature_c:g} °C, and reads {reading.number:.1f} °C at once: no air follows so "
                "fast, it answers with its setting",
                instrument=chamber.name,
                address=chamber.address,
                reply=reading.raw,
                next_move="Look whether 'measured_temperature' of its profile asks for the sensor, and not for the setting.",
            )

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
        shown = " and ".join(
            f"{what} {number:.1f} °C" if number is not None else f"{what} no temperature"
            for what, number in zip(("its air", "the sensor on the unit"), read, strict=True)
            if number is not None or what == "its air"
        )
        low_c, high_c = temperature_c - rules.tolerance_c, temperature_c + rules.tolerance_c
        chamber.confirm_settings()  # one that has restarted heads for nothing: SettingLost, and the check is made anew
        fault = NotSettled(
            f"set to {temperature_c:g} °C, after {after_s / 60.0:.0f} min {shown} read, and did not stay within {low_c:g} to {high_c:g} °C "
            f"for {rules.soak_s / 60.0:.3g} min",
            instrument=chamber.name,
            address=chamber.address,
            next_move="Look at its door, its display and its alarms, and where the sensor on the unit lies.",
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
            return
        self.facts = None
        shown = "no temperature" if air is None else f"{air:.1f} °C"
        raise NotConfirmed(
            f"its air read {shown} at the end of a check at {temperature_c:g} °C, which is further off than {rules.tolerance_c:g} °C",
            instrument=chamber.name,
            address=chamber.address,
            next_move="Look at its door and its alarms; the unit soaks anew before anything is measured there.",
        )

    def stop(self) -> None:
        """Stop it, read back, and read its air."""
        chamber = present(self._find(), "chamber")
        self.left, used = "", self.facts is not None or bool(self._given_up)
        self.facts = None
        chamber.configure_output_enabled(False)
        if chamber.manual and not used:
            return  # nobody is asked to read a chamber that was not used
        with suppress(InstrumentFault):
            if (air_c := chamber.read_temperature_c().number) is not None:
                self.left = _left(air_c)
        self.left = self.left or "What the chamber's air reads is not known."

    def forget(self) -> None:
        """Take it that another unit stands in it: nothing has soaked."""
        self.facts = None
        self._given_up.clear()

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
        """Return what the air and the sensor on the unit read, °C; the second is None where there is no such sensor."""
        air = chamber.read_temperature_c()
        specimen: Reading | None = chamber.read_specimen_c() if chamber.reads_specimen else None
        if specimen is not None and specimen.number is None:
            return None, None
        return air.number, None if specimen is None else specimen.number

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


def _told(
    temperature_c: float, air: float | None, specimen: float | None, soaked_s: float, rules: ChamberRules
) -> str:
    shown = "no temperature" if air is None else f"{air:.1f} °C"
    sensor = "" if specimen is None else f", unit {specimen:.1f} °C"
    soak = f"; soaked {soaked_s / 60.0:.0f} of {rules.soak_s / 60.0:.3g} min" if soaked_s > 0.0 else ""
    return f"chamber to {temperature_c:g} °C: air {shown}{sensor}{soak}"


def _left(air_c: float) -> str:
    text = f"The chamber's air reads {air_c:.1f} °C."
    if air_c >= TOUCHED_ABOVE_C:
        return f"{text} What is in it is hot: let it cool down before you reach in."
    if air_c <= TOUCHED_BELOW_C:
        return f"{text} Let it warm up before the door is opened: a cold unit gets wet in the room's air."
    return text
