"""What a discriminator makes of a carrier in Gaussian noise: smooth noise of several orders, and clicks.

Source: Rice 1948, whose case of noise alone (½·(ln g)''·ln(1 - g²)) is the one without a carrier here. With g(τ) the noise's
autocorrelation about the carrier and ρ the carrier-to-noise ratio, that of the instantaneous angular frequency is, worked out by
integration by parts over the Gaussian variables,

    Σ -½·((n-1)!/n)·P(n, ρ)²·ρ⁻ⁿ·(gⁿ)''  -  ½·(g'·J)'  +  g'²/(1 - g²)·exp(-2ρ/(1 + g)),
    J = ∫ exp(-ρ·(2 - g - u)/(1 - g·u))/(1 - g·u) du from 0 to g,

with P the regularised gamma function. The sum is phase noise: its spectrum rises with f², and its first order is the textbook's
(Taub, Schilling and Saha ch. 9). The rest is what clicks leave: far above threshold it is white, twice Rice's (1963) rate.
Clicks that turn back at once count in that rate but leave nothing, hence a share below 1.
"""

from __future__ import annotations

from math import erf, erfc, exp, factorial, pi, sqrt

import numpy as np

from sim.radio.if_filter import Floats, IfFilter, wave_sums

ORDERS = (1, 2, 3)  # from ρ = 3 on the fourth is below 1 % of the first [worked out]

_HIGHEST_RHO = 30.0
_SHARES = 49
# Gauss's rule of 12 points, the upper half (Abramowitz and Stegun, table 25.4): numpy's works them out, and takes a hundredth of a dry run
# to be imported; a test holds them against it.
_HALF = (
    (0.1252334085114689, 0.2491470458134027),
    (0.3678314989981802, 0.2334925365383546),
    (0.5873179542866175, 0.20316742672306573),
    (0.7699026741943047, 0.16007832854334642),
    (0.9041172563704748, 0.10693932599531907),
    (0.9815606342467192, 0.04717533638651141),
)
_NODES = np.array([*(-node for node, _ in reversed(_HALF)), *(node for node, _ in _HALF)])
_WEIGHTS = np.array([*(weight for _, weight in reversed(_HALF)), *(weight for _, weight in _HALF)])


def order_gain(order: int, rho: Floats) -> Floats:
    """Return the amplitude of phase noise of an order, whose power is spread over `IfFilter.order_density`."""
    at = np.maximum(rho, 1e-12 if order == 1 else 1e-4)  # below, the difference from 1 is lost in rounding
    missing = sum(at**k / factorial(k) for k in range(1, order))
    captured = -np.expm1(-np.minimum(at, 700.0)) - np.exp(-np.minimum(at, 700.0)) * missing
    return np.asarray(captured * at ** (-order / 2.0) * sqrt(factorial(order)) / order)


def click_rate_hz(width_hz: float, rho: Floats, swing_hz: Floats) -> float:
    """Return the clicks of a second, from the carrier-to-noise ratio and the frequency at equidistant moments.

    ``width_hz`` is the rms width of the IF filter, ``swing_hz`` the distance from its centre. Source: Rice 1963 for a
    carrier beside the centre, which holds at each moment of a modulated one.
    """
    total = 0.0
    for now, there_hz in zip(rho.tolist(), swing_hz.tolist(), strict=True):
        ratio = there_hz / width_hz
        total += width_hz * sqrt(1.0 + ratio**2) * erfc(sqrt(now * (1.0 + ratio**2)))
        total += abs(there_hz) * exp(-min(now, 700.0)) * erf(abs(ratio) * sqrt(now))
    return total / len(rho)


class ClickShare:
    """The power that clicks of an unmodulated carrier leave in the audio, as a share of what lone impulses would leave."""

    def __init__(self, if_filter: IfFilter, audio_hz: Floats, audio_gain: Floats) -> None:
        self._roots = np.linspace(0.0, sqrt(_HIGHEST_RHO), _SHARES)
        time_s, g, slope = if_filter.autocorrelation()
        turning = 2.0 * pi * audio_hz
        heard, heard_slope = wave_sums(time_s, turning, audio_gain, -turning * audio_gain)
        alone = 2.0 * if_filter.rms_width_hz * float(audio_gain.sum())
        scale = 4.0 * float(time_s[1] - time_s[0]) / (2.0 * pi) ** 2
        turning_back = _TurningBack(g)
        powers = [
            scale
            * float(heard @ _encounters(rho, g, slope) + 0.5 * heard_slope @ (slope * turning_back.at(rho)))
            for rho in self._roots**2
        ]
        self._shares = np.array(
            [power / (alone * erfc(root)) for power, root in zip(powers, self._roots, strict=True)]
        )

    def at(self, rho: float) -> float:
        """Return the share at a carrier-to-noise ratio."""
        return float(np.interp(sqrt(rho), self._roots, self._shares))


def _encounters(rho: float, g: Floats, slope: Floats) -> Floats:
    return np.asarray(slope**2 / (1.0 - g**2) * np.exp(-2.0 * rho / (1.0 + g)))


class _TurningBack:
    """J for every ratio, with u = (1 - exp(-g·v))/g, which takes the pole out of the integrand."""

    def __init__(self, g: Floats) -> None:
        self._top = -np.log1p(-(g**2)) / g
        v = np.outer(self._top, 0.5 * (_NODES + 1.0))
        left = np.exp(-g[:, None] * v)  # 1 - g·u
        u = (1.0 - left) / g[:, None]
        self._falls = (2.0 - g[:, None] - u) / left

    def at(self, rho: float) -> Floats:
        """Return J at a carrier-to-noise ratio."""
        return np.asarray(0.5 * self._top * (np.exp(-rho * self._falls) @ _WEIGHTS))
