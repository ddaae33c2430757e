"""The decoder of signalling below speech that keeps a receiver's loudspeaker shut until it hears its own tone or code.

It hears what a narrow filter of two poles about its tone lets through against all else below speech: what the filter keeps out of the
tone, and the noise from 60 to 260 Hz. That noise is the click noise of a carrier near its threshold (Rice 1963: 2 N a hertz, in Hz²) and
the smooth noise that grows with the square of the frequency (textbook). A code counts whole or not at all, by its 23 bits, wherever a
word begins. It opens once it has heard its own for as long as it takes to detect, and shuts once it has missed it for as long.

Not modelled: what the swing of a tone takes of the channel filter, bit errors, the turn-off tone, a tone that turns its phase, modes
other than FM, and that the estimate of a real decoder is smoothed: here it follows the input at once, and the time to detect is added.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, log10

import numpy as np

from sim.frozen import dataclass
from sim.radio.signalling import word_of
from sim.requirements import require, require_finite, require_not_negative, require_positive
from sim.rf_signal import Below

_LOW_HZ, _HIGH_HZ = 60.0, 260.0
_RATE_WITHIN = 0.01  # of a code's clock; a choice, no source
_POLES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoder:
    """What it listens for: ``tone_hz``, or ``code`` (three octal digits), and how well.

    ``bandwidth_hz`` is that of its filter about the tone; ``threshold_db`` what it wants to hear above all else below speech;
    ``least_hz`` the deviation below which it hears nothing. ``either_way``: it takes a code with its levels turned round too;
    ``on_carrier``: it opens for any carrier. It opens by itself every ``opens_every_s`` on average (0 is never), for ``opens_for_s``.
    """

    tone_hz: float = 0.0
    code: str = ""
    inverted: bool = False
    either_way: bool = False
    on_carrier: bool = False
    bandwidth_hz: float = 3.0
    threshold_db: float = 3.0
    hysteresis_db: float = 2.0
    jitter_db: float = 0.4
    least_hz: float = 100.0
    detect_s: float = 0.18
    release_s: float = 0.15
    opens_every_s: float = 0.0
    opens_for_s: float = 0.4

    def __post_init__(self) -> None:
        require_not_negative(self, "tone_hz", "hysteresis_db", "jitter_db", "opens_every_s")
        require_positive(self, "bandwidth_hz", "least_hz", "detect_s", "release_s", "opens_for_s")
        require_finite(self, "threshold_db")
        octal = len(self.code) == 3 and all(one in "01234567" for one in self.code)
        require(octal or not self.code, "code", repr(self.code), "three octal digits")
        require(bool(self.tone_hz) != bool(self.code), "tone_hz", self.tone_hz, "a tone or a code")

    def heard_db(self, below: Below | None, *, capture: float, noise_hz2: float) -> float:
        """Return how far what it listens for stands above all else below speech, dB; ``noise_hz2`` is the noise there, Hz²."""
        if below is None or below.deviation_hz * capture < self.least_hz:
            return -inf
        sent = (capture * below.deviation_hz) ** 2 / (1.0 if below.bits else 2.0)
        share = self._share(below)
        wanted, rest = share * sent, (1.0 - share) * sent + noise_hz2
        return 10.0 * log10(wanted / rest) if wanted > 0.0 else -inf

    def _share(self, below: Below) -> float:
        """Return what of a signal passes its filter, as a share of the power."""
        if self.tone_hz:
            if below.bits:
                return 0.0
            return 1.0 / (1.0 + (2.0 * (below.tone_hz - self.tone_hz) / self.bandwidth_hz) ** (2 * _POLES))
        if not below.bits or abs(below.bit_rate / 134.4 - 1.0) > _RATE_WITHIN:
            return 0.0
        word = "".join(map(str, word_of(self.code)))
        turned = word.translate(str.maketrans("01", "10"))
        own = {turned if self.inverted else word} | ({word, turned} if self.either_way else set())
        return float(any(below.bits in one + one and len(below.bits) == len(one) for one in own))


class DecoderSwitch:
    """A decoder on the clock: it follows what it hears after its time to detect, and its time to release.

    ``itself`` says of a moment whether it opens then by itself, wherever a signal is.
    """

    def __init__(self, decoder: Decoder, itself: Callable[[float], bool], rng: np.random.Generator) -> None:
        self._decoder = decoder
        self._itself = itself
        self._rng = rng
        self._heard_db = -inf
        self._jitter_db = 0.0
        self._wants = self._is_open = False
        self._since_s = 0.0

    def see(self, heard_db: float, now_s: float) -> None:
        """Let it hear ``heard_db`` from now on."""
        self._follow(now_s)
        if heard_db != self._heard_db:
            self._heard_db = heard_db
            self._jitter_db = self._decoder.jitter_db * float(self._rng.standard_normal())
        above_db = self._decoder.threshold_db + self._jitter_db
        wants = heard_db > above_db - (self._decoder.hysteresis_db if self._is_open else 0.0)
        if wants != self._wants:
            self._wants, self._since_s = wants, now_s

    def is_open(self, now_s: float, *, carrier: bool) -> bool:
        """Say whether it lets the audio through now; ``carrier``: a signal is there, so that it may open by itself."""
        self._follow(now_s)
        return self._is_open or (carrier and self._itself(now_s))

    def _follow(self, now_s: float) -> None:
        takes_s = self._decoder.detect_s if self._wants else self._decoder.release_s
        if self._wants != self._is_open and now_s - self._since_s >= takes_s:
            self._is_open = self._wants


def noise_below(click_rate_hz: float, ratio: float, noise_bandwidth_hz: float) -> float:
    """Return the noise of an FM receiver from 60 to 260 Hz, Hz²: its clicks, and its smooth noise at a carrier to noise ``ratio``."""
    smooth = (_HIGH_HZ**3 - _LOW_HZ**3) / (3.0 * max(ratio, 1e-9) * noise_bandwidth_hz)
    return 2.0 * click_rate_hz * (_HIGH_HZ - _LOW_HZ) + smooth
