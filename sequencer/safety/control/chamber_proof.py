"""The proof that what a chamber reads is its air, and not its setting: set elsewhere, it is seen on the way there.

Air is slow, a setting is not: between the two temperatures something has to be read. A chamber that stands already where it is wanted is
first sent a little aside, since a reading that equals the setting proves nothing. Found out once, its reading proves nothing any more.
What was seen holds until the chamber is stopped: what it answers afterwards may be something else.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.climate import Chamber
from drivers.clock import Clock
from drivers.faults import NotConfirmed, NotSettled, UnexpectedReply
from sequencer.frozen import dataclass

ROOM_C = 23.0
FIRST_LOOK_S, LONGEST_LOOK_S, LATER = 0.1, 2.0, 0.5
"""When it is looked at after it was set: each look half as late again as the last, so that quick and slow air are both met on the way."""
ON_THE_WAY = 0.25
"""What counts as on the way: at least this share of the way from where it was, and from where it goes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looking:
    """How a chamber is looked at: ``check`` may raise, ``say`` is told, ``wait`` waits so many seconds, ``given_up_after_s`` bounds it."""

    check: Callable[[], None]
    say: Callable[[str], None]
    wait: Callable[[float], None]
    given_up_after_s: float


class AirProof:
    """Whether the reading of one chamber's air is believed, from when it was set going until it is stopped."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._is_proved = False
        self.set_to_c: list[float] = []
        """What it was set to, also aside, in order."""
        self.found_out: UnexpectedReply | None = None
        """Why it is believed no more; stays for as long as its instruments are open."""

    def set_and_see(
        self,
        chamber: Chamber,
        asked_c: float,
        *,
        tolerance_c: float,
        range_c: tuple[float, float],
        how: Looking,
    ) -> None:
        """Set the chamber to ``asked_c``, running, and see its reading follow as air does.

        Raises UnexpectedReply where it answers with its setting, at once where it was found out before; NotSettled where it does not move,
        NotConfirmed where it reads nothing or cannot be sent aside.
        """
        if self.found_out is not None:
            raise self.found_out
        before_c = self._read(chamber, asked_c)
        if not self._is_proved and abs(before_c - asked_c) <= 2.0 * tolerance_c:
            aside_c = _aside(chamber, before_c, max(3.0 * tolerance_c, 3.0), range_c)
            how.say(
                f"chamber to {aside_c:g} °C first, to see that its reading follows: air {before_c:.1f} °C"
            )
            self._go(chamber, before_c, aside_c, how)
            before_c = self._read(chamber, asked_c)
        if abs(before_c - asked_c) > 2.0 * tolerance_c:
            how.say(f"chamber to {asked_c:g} °C: air {before_c:.1f} °C")
            self._go(chamber, before_c, asked_c, how)
        else:
            self._set(chamber, asked_c)

    def begin_anew(self) -> None:
        """Take nothing as seen: the chamber was stopped. What was found out stays."""
        self._is_proved = False

    def _set(self, chamber: Chamber, temperature_c: float) -> None:
        self.set_to_c.append(temperature_c)  # before: an order whose answer is lost may have had effect
        chamber.configure_temperature_c(temperature_c)
        chamber.configure_output_enabled(True)

    def _go(self, chamber: Chamber, before_c: float, target_c: float, how: Looking) -> None:
        self._set(chamber, target_c)
        began_s, look_s, last_c = self._clock.now_s(), FIRST_LOOK_S, before_c
        while (after_s := self._clock.now_s() - began_s) <= how.given_up_after_s:
            how.check()
            reading = chamber.read_temperature_c()
            if reading.number is not None:
                last_c = reading.number
                share = (last_c - before_c) / (target_c - before_c)
                if ON_THE_WAY <= share <= 1.0 - ON_THE_WAY:
                    self._is_proved = True
                    return
                if share > 1.0 - ON_THE_WAY:
                    self._find_out(chamber, before_c, target_c, after_s, last_c, reading.raw)
            how.wait(look_s)
            look_s = min(LATER * (self._clock.now_s() - began_s), LONGEST_LOOK_S)
        chamber.confirm_settings()  # one that restarted heads for nothing: that passes
        raise NotSettled(
            f"it read {before_c:.1f} °C, was set to {target_c:g} °C, and {how.given_up_after_s / 60.0:.3g} min later reads {last_c:.1f} "
            "°C: its air does not follow, or what is read is not its air",
            instrument=chamber.name,
            address=chamber.address,
            next_move="Look at its door, its display and its alarms, and whether it answers in °C.",
        )

    def _find_out(
        self, chamber: Chamber, before_c: float, target_c: float, after_s: float, last_c: float, raw: str
    ) -> None:
        when = "at once" if after_s < 1.0 else f"{duration(after_s)} later"
        self.found_out = UnexpectedReply(
            f"it read {before_c:.1f} °C, was set to {target_c:g} °C, and reads {last_c:.1f} °C {when}, with nothing between: no air "
            "follows so fast, it answers with its setting",
            instrument=chamber.name,
            address=chamber.address,
            reply=raw,
            next_move="Look whether 'measured_temperature' of its profile asks for the sensor, and not for the setting. Nothing more is "
            "measured by its reading.",
        )
        raise self.found_out

    def _read(self, chamber: Chamber, asked_c: float) -> float:
        reading = chamber.read_temperature_c()
        if reading.number is None:
            raise NotConfirmed(
                f"its air read no temperature before it was set to {asked_c:g} °C, so that nothing could show that its reading follows",
                instrument=chamber.name,
                address=chamber.address,
                reply=reading.raw,
                next_move="Look at the sensor in its air, and at what 'measured_temperature' of its profile asks for.",
            )
        return reading.number


def duration(seconds: float) -> str:
    """Return a time as what a chamber takes is told: seconds below a minute, else minutes."""
    return f"{seconds:.0f} s" if seconds < 59.5 else f"{seconds / 60.0:.0f} min"


def _aside(chamber: Chamber, from_c: float, by_c: float, range_c: tuple[float, float]) -> float:
    """Return where a chamber is sent that stands where it is wanted: towards the room, or upwards near it; the other way at an end."""
    upwards = from_c <= ROOM_C + by_c
    for sign in (1.0, -1.0) if upwards else (-1.0, 1.0):
        aside_c = round(from_c + sign * by_c, 1)
        if range_c[0] <= aside_c <= range_c[1]:
            return aside_c
    raise NotConfirmed(
        f"it reads {from_c:.1f} °C, and its 'temperature' of {range_c[0]:g} to {range_c[1]:g} °C leaves no room to see its reading follow",
        instrument=chamber.name,
        address=chamber.address,
        next_move="State the range that it has in the bench file.",
    )
