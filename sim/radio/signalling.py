"""What a transmitter sends below or beside speech for as long as it is keyed: a sub-audible tone, a digital code, a pair of tones.

A digital code is 23 bits, again and again: nine code bits, the least significant first, then 0 0 1, then eleven check bits of the Golay
code with the generator x^11 + x^9 + x^7 + x^6 + x^5 + x + 1, found here by long division (published descriptions; the word of code 023
stands in the tests). Its steps are those of a plain sequence of levels behind two equal real poles, as a series of lines: what the word
has for a mean is left out, as in a modulator that does not pass direct voltage.

Not modelled: a tone's turned phase or a code's turn-off tone when PTT is released, sequences of tones, AM.
"""

from __future__ import annotations

from cmath import exp
from functools import lru_cache
from math import pi

from sim.frozen import dataclass
from sim.radio.emission import Line
from sim.requirements import require, require_not_negative, require_positive

WORD_BITS = 23
_CHECK_BITS = 11
_GENERATOR = (1, 0, 1, 0, 1, 1, 1, 0, 0, 0, 1, 1)  # from x^11 down to 1
_FIXED = (0, 0, 1)
_CORNER_HZ = 300.0  # of each of the two poles behind a code's levels; a choice, no source
_LINES = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class Signalling:
    """What is sent: ``tone_hz``, or ``code`` (three octal digits), or ``tones_hz`` (two); nothing of all that for none.

    ``deviation_hz`` is the peak of the tone, the distance of a code's levels from the middle, the peak of the lower of two tones, beside
    which the higher is ``twist_db`` stronger. ``bit_rate`` in bits a second.
    """

    tone_hz: float = 0.0
    code: str = ""
    inverted: bool = False
    bit_rate: float = 134.4
    tones_hz: tuple[float, ...] = ()
    twist_db: float = 0.0
    deviation_hz: float = 300.0

    def __post_init__(self) -> None:
        require_not_negative(self, "tone_hz", "deviation_hz")
        require_positive(self, "bit_rate")
        octal = len(self.code) == 3 and all(one in "01234567" for one in self.code)
        require(octal or not self.code, "code", repr(self.code), "three octal digits")
        require(len(self.tones_hz) in (0, 2), "tones_hz", list(self.tones_hz), "two tones")
        sent = sum(map(bool, (self.tone_hz, self.code, self.tones_hz)))
        require(sent <= 1, "tone_hz", "more than one kind", "a tone, a code or two tones")

    @property
    def peak_hz(self) -> float:
        """By how much it may swing the carrier to either side, Hz; 0 where nothing is sent."""
        if self.tones_hz:
            return self.deviation_hz * float(1.0 + 10.0 ** (self.twist_db / 20.0))
        return self.deviation_hz if self.tone_hz or self.code else 0.0


def word_of(code: str) -> tuple[int, ...]:
    """Return the 23 bits of a code in the order of sending."""
    number = int(code, 8)
    sent = [number >> at & 1 for at in range(9)] + list(_FIXED)
    left = [*sent, *([0] * _CHECK_BITS)]  # the first bit sent is the highest power
    for at in range(len(sent)):
        if left[at]:
            for step, one in enumerate(_GENERATOR):
                left[at + step] ^= one
    return (*sent, *left[-_CHECK_BITS:])


@lru_cache(maxsize=8)
def lines_of(signalling: Signalling) -> tuple[Line, ...]:
    """Return the lines of the deviation, Hz."""
    if signalling.tone_hz:
        return (Line(frequency_hz=signalling.tone_hz, amplitude=complex(signalling.deviation_hz)),)
    if signalling.tones_hz:
        low_hz, high_hz = signalling.tones_hz
        higher = signalling.deviation_hz * float(10.0 ** (signalling.twist_db / 20.0))
        return (
            Line(frequency_hz=low_hz, amplitude=complex(signalling.deviation_hz)),
            Line(frequency_hz=high_hz, amplitude=1j * higher),
        )
    return _code_lines(signalling) if signalling.code else ()


def _code_lines(signalling: Signalling) -> tuple[Line, ...]:
    """Return a code's series: of each bit the integral of a turning pointer over its time (textbook)."""
    high = -1.0 if signalling.inverted else 1.0
    levels = [high if bit else -high for bit in word_of(signalling.code)]
    base_hz = signalling.bit_rate / WORD_BITS
    lines = []
    for order in range(1, _LINES):
        turn = -2j * pi * order / WORD_BITS
        share = sum(level * (exp(turn * (at + 1)) - exp(turn * at)) for at, level in enumerate(levels))
        share *= 2.0 / (-2j * pi * order)
        behind = share / (1.0 + 1j * order * base_hz / _CORNER_HZ) ** 2
        lines.append(Line(frequency_hz=order * base_hz, amplitude=signalling.deviation_hz * behind))
    return tuple(lines)
