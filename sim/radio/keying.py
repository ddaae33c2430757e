"""How a transmitter comes up when PTT is pressed and goes when it is released: power and frequency, in closed form.

The envelope's amplitude rises and falls as half a cosine; after it has risen the power may creep up exponentially. From the moment that the
power begins, the frequency is off as a loop of second order with two integrators lets it be after a step, damped by the root of a half:
step · exp(-at)·(cos at - sin at), a = 2π·loop/√2 (textbook). After the release it is drawn away exponentially. The phase is the
integral of both, worked out by hand: a sum of samples has no part in it.

PTT reaches the unit when its line closes, which the box that closes it may do late (`sim.instruments.radio_box`).

Not modelled: SSB and CW (their power stands at once), an order to release before the power has risen, the change of the output stage's
heat within a recording, signalling that begins or ends with PTT.
"""

from __future__ import annotations

from math import cos, exp, pi, sin, sqrt

import numpy as np

from sim.frozen import dataclass
from sim.radio.emission import Complexes, Emission, Floats, baseband
from sim.requirements import require, require_finite, require_not_negative, require_positive

GONE = 1e-6  # of the amplitude: less is no carrier


@dataclass(frozen=True, slots=True, kw_only=True)
class Keying:
    """What a unit does between PTT and its steady carrier, and after it.

    ``delay_s`` from the closed line to the first power, ``rise_s`` from nothing to the whole amplitude, ``short_db`` what the power
    then still lacks, gone with the time constant ``creep_s``. ``step_hz`` is by how much the frequency is off as power begins, ``loop_hz``
    the natural frequency of the loop that brings it home. After the line opens the power stays for ``hold_s`` and falls
    within ``fall_s``, while the frequency is drawn away by up to ``pulled_hz`` with the time constant ``pulling_s``.
    """

    delay_s: float = 0.006
    rise_s: float = 0.003
    short_db: float = 0.0
    creep_s: float = 0.02
    step_hz: float = 0.0
    loop_hz: float = 200.0
    hold_s: float = 0.001
    fall_s: float = 0.003
    pulled_hz: float = 0.0
    pulling_s: float = 0.002

    def __post_init__(self) -> None:
        require_not_negative(self, "delay_s", "short_db", "hold_s")
        require_positive(self, "rise_s", "creep_s", "loop_hz", "fall_s", "pulling_s")
        require_finite(self, "step_hz", "pulled_hz")
        require(self.short_db <= 30, "short_db", self.short_db, "0 to 30")

    @property
    def _damping(self) -> float:
        return 2.0 * pi * self.loop_hz / sqrt(2.0)

    def amplitude(self, pressed_s: Floats, released_s: Floats) -> Floats:
        """Return the amplitude relative to the steady one, by the time since the line closed and (negative: not yet) since it opened."""
        risen_s = pressed_s - self.delay_s
        rising = 0.5 - 0.5 * np.cos(pi * np.clip(risen_s / self.rise_s, 0.0, 1.0))
        lacks_db = self.short_db * np.exp(-np.maximum(risen_s - self.rise_s, 0.0) / self.creep_s)
        falling = 0.5 + 0.5 * np.cos(pi * np.clip((released_s - self.hold_s) / self.fall_s, 0.0, 1.0))
        return np.asarray(rising * falling * 10.0 ** (-lacks_db / 20.0))

    def frequency_hz(self, pressed_s: float, released_s: float) -> float:
        """Return by how much the frequency is off at one moment."""
        on_s, off_s, a = max(0.0, pressed_s - self.delay_s), max(0.0, released_s), self._damping
        settling_hz = self.step_hz * exp(-a * on_s) * (cos(a * on_s) - sin(a * on_s))
        return float(settling_hz + self.pulled_hz * (1.0 - exp(-off_s / self.pulling_s)))

    def phase(self, pressed_s: Floats, released_s: Floats) -> Floats:
        """Return the phase that these offsets come to, rad."""
        on_s, off_s, a = np.maximum(pressed_s - self.delay_s, 0.0), np.maximum(released_s, 0.0), self._damping
        settled = self.step_hz * np.exp(-a * on_s) * np.sin(a * on_s) / a
        drawn = self.pulled_hz * (off_s - self.pulling_s * (1.0 - np.exp(-off_s / self.pulling_s)))
        return np.asarray(2.0 * pi * (settled + drawn))


AT_ONCE = Keying(delay_s=0.0, rise_s=1e-9, hold_s=0.0, fall_s=1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyDown:
    """One key-down: when the line closed and when it opened (infinity: not yet), and what was sent as it did."""

    closed_s: float
    opened_s: float = np.inf
    sent: Emission | None = None

    def wave(
        self,
        law: Keying,
        emission: Emission | None,
        *,
        centre_hz: float,
        count: int,
        rate_hz: float,
        begin_s: float,
        rng: np.random.Generator,
    ) -> Complexes:
        """Return what it leaves in a recording, √W; ``emission`` is what is sent now, for one that lasts."""
        sent = emission if np.isinf(self.opened_s) else self.sent
        time_s = begin_s + np.arange(count) / rate_hz
        pressed_s, released_s = time_s - self.closed_s, time_s - self.opened_s
        size = law.amplitude(pressed_s, released_s)
        if sent is None or not np.any(size > GONE):
            return np.zeros(count, dtype=np.complex128)
        steady = baseband(sent, centre_hz=centre_hz, count=count, rate_hz=rate_hz, begin_s=begin_s, rng=rng)
        return np.asarray(steady * size * np.exp(1j * law.phase(pressed_s, np.maximum(released_s, 0.0))))
