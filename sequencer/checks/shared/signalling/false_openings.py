"""Whether a receiver stays shut for what is not its own: openings counted over a stated time, and what speaks against the generator.

How often a unit opens that opens by chance is a Poisson process; with none in a time T fewer than 3.0/T are to be expected with 95 %
confidence (the exact bound is -ln 0.05 = 2.996; any handbook of statistics). That is said beside the count. What lies between two looks
is not seen: each look averages the loudspeaker's voltage for a tenth of a second, and two in a row make an opening.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from sequencer.checks.shared.signalling.sender import NOTHING, Below, far_from
from sequencer.frozen import dataclass
from sequencer.safety.receive import ReceiveSide

LOOK_S = 0.1
LOOKS = 4
IN_A_ROW = 2  # looks that find it open make an opening: one odd reading makes none
AUDIBLE_HZ = (1000.0, 1500.0)
NEAR_SHARE = 0.05  # a tone in noise is counted this near: workshop's own
NONE_FEWER_THAN = -math.log(0.05)
STILL = "nothing shows that the generator's second source does what it is told"


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """A receiver that is given a strong signal, and what it opens for.

    ``deviation_hz`` is that of what is sent below speech, ``audible_hz`` that of a tone to be heard, ``pause_s`` what the decoder is given,
    ``threshold_v`` the loudspeaker's voltage above which it is open, ``apply`` gives it the strong signal with its own tone or code.
    """

    side: ReceiveSide
    own: Below
    deviation_hz: float
    audible_hz: float
    pause_s: float
    threshold_v: float
    apply: Callable[[], None]

    def opens_for(self, below: Below) -> bool | None:
        """Send something and say whether it is open after its time; None where nothing could be read."""
        below.send(self.side, self.deviation_hz)
        return self.is_open_after(self.pause_s)

    def shuts_for(self, below: Below) -> bool:
        """Send something and say whether it shuts: seen in one of several looks, for one that opens by chance is open now and then."""
        below.send(self.side, self.deviation_hz)
        return any(self.is_open_after(self.pause_s) is False for _ in range(LOOKS))

    def is_open_after(self, seconds: float) -> bool | None:
        """Wait and say whether it is open; None where nothing could be read."""
        self.side.wait_s(seconds)
        volts = self.side.read_audio_v(LOOK_S).number
        return None if volts is None else volts > self.threshold_v


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """How often it opened in ``seconds``, or in words why nobody knows; ``looks_open`` of ``looks`` found it open."""

    openings: int = 0
    looks: int = 0
    looks_open: int = 0
    seconds: float = 0.0
    why_not: str = ""

    @property
    def stood_open(self) -> bool:
        """Say whether it was open throughout, as it is for its own tone: one that shuts meanwhile was not sent that."""
        return self.looks > 0 and self.looks_open == self.looks

    @property
    def text(self) -> str:
        """What the count says, and what it says of a unit that opens by chance."""
        if self.openings == 0:
            per_s = NONE_FEWER_THAN / self.seconds
            often = f"{60.0 * per_s:.2g} a minute" if per_s < 1.0 else f"{per_s:.2g} a second"
            once = f" ({self.looks_open} looks found it open, no two in a row)" if self.looks_open else ""
            return f"none in {self.seconds:.3g} s{once}: with 95 % confidence it opens by chance less than {often} (Poisson)"
        stood = f"; open at {self.looks_open} of {self.looks} looks"
        return f"{self.openings} in {self.seconds:.3g} s{stood}"


def count_openings(listener: Listener, wrong: Below, for_s: float) -> Count:
    """Send the own tone, then the wrong one in its place, and count how often the receiver opens in the time."""
    side = listener.side
    listener.apply()
    if not listener.opens_for(listener.own):
        return Count(why_not=f"it did not open for {listener.own.name} just before")
    wrong.send(side, listener.deviation_hz)
    side.wait_s(listener.pause_s)
    begun_s, row, openings, looks, looks_open = side.now_s(), 0, 0, 0, 0
    while side.now_s() - begun_s < for_s:
        volts = side.read_audio_v(LOOK_S).number
        if volts is None:
            return Count(why_not="the loudspeaker's voltage could not be read throughout")
        is_open = volts > listener.threshold_v
        row = row + 1 if is_open else 0
        openings += row == IN_A_ROW
        looks, looks_open = looks + 1, looks_open + is_open
    return Count(openings=openings, looks=looks, looks_open=looks_open, seconds=side.now_s() - begun_s)


def why_doubted(listener: Listener, wrong: Below) -> str:
    """Return in words that a false opening may be the generator's, whose second source may stand still; nothing where it is seen to follow.

    It is, where a far tone shuts the receiver that the wrong one opens. A receiver that opens for all of it lets through what the second
    source makes alone: then it is made to be heard, at one frequency, at another, and no more.
    """
    listener.apply()
    if not wrong.is_nothing:
        if listener.shuts_for(far_from(listener.own)):
            return ""
        if listener.shuts_for(NOTHING):
            return f"it opens for {far_from(listener.own).name} too: {STILL}"
    return _why_unheard(listener)


def _why_unheard(listener: Listener) -> str:
    side = listener.side
    side.remove_modulation()
    for tone_hz in AUDIBLE_HZ:
        side.send_tone_below(tone_hz, deviation_hz=listener.audible_hz)
        side.wait_s(listener.pause_s)
        heard_hz = side.read_audio_frequency_hz(LOOK_S).number
        if heard_hz is None or abs(heard_hz - tone_hz) > NEAR_SHARE * tone_hz:
            found = "no tone" if heard_hz is None else f"{heard_hz:.0f} Hz"
            return f"told to make {tone_hz:.0f} Hz it lets {found} be heard: {STILL}"
    side.send_nothing_below()
    side.wait_s(listener.pause_s)
    heard_hz = side.read_audio_frequency_hz(LOOK_S).number
    if heard_hz is not None and abs(heard_hz - AUDIBLE_HZ[-1]) <= NEAR_SHARE * AUDIBLE_HZ[-1]:
        return f"switched off it lets {heard_hz:.0f} Hz be heard: {STILL}"
    return ""
