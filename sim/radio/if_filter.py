"""The IF filter of a receiver: a Butterworth band-pass, and what leaks past it.

Source: the Butterworth poles of any filter textbook, as a low-pass about the filter's centre. Not modelled: ripple,
unequal slopes, a second IF and its image.
"""

from __future__ import annotations

import cmath
from functools import cached_property
from math import pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

BOLTZMANN_W_S_PER_K = 1.380649e-23  # exact since the SI of 2019
REFERENCE_TEMPERATURE_K = 290.0
NOTHING_DBM = -200.0  # stands for "no signal": far below any noise floor

_LEAST_POINTS = 8001

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]


_FINE = 24


def wave_sums(time_s: Floats, turning: Floats, cosine: Floats, sine: Floats) -> tuple[Floats, Floats]:
    """Return the sums of ``cosine`` times cos(ωt) and of ``sine`` times sin(ωt) over ω (``turning``) at times equally far apart.

    Each time is a coarse step and a fine one, and the sum of two angles does the rest: a twelfth of the cosines, which were a fiftieth of
    a dry run [measured].
    """
    coarse = np.outer(time_s[::_FINE], turning)
    fine = np.outer(np.arange(_FINE) * (time_s[1] - time_s[0]), turning)
    cos_coarse, sin_coarse, cos_fine, sin_fine = (
        np.cos(coarse),
        np.sin(coarse),
        np.cos(fine).T,
        np.sin(fine).T,
    )
    cosines = (cos_coarse * cosine) @ cos_fine - (sin_coarse * cosine) @ sin_fine
    sines = (sin_coarse * sine) @ cos_fine + (cos_coarse * sine) @ sin_fine
    return cosines.ravel()[: len(time_s)], sines.ravel()[: len(time_s)]


class IfFilter:
    """A filter of ``poles`` resonators, ``bandwidth_hz`` wide at 3 dB, ``centre_hz`` from the frequency tuned to."""

    def __init__(
        self, *, bandwidth_hz: float, poles: int, ultimate_rejection_db: float, centre_hz: float = 0.0
    ) -> None:
        self._bandwidth_hz = bandwidth_hz
        self._leak = 10.0 ** (-ultimate_rejection_db / 20.0)
        self.centre_hz = centre_hz
        self._poles = [cmath.exp(1j * pi * (2 * k + poles - 1) / (2 * poles)) for k in range(1, poles + 1)]
        span_hz = centre_hz + np.linspace(-4.0 * bandwidth_hz, 4.0 * bandwidth_hz, _LEAST_POINTS)
        shape = self.power_gain(span_hz)
        self.noise_bandwidth_hz = float(shape.sum()) * float(span_hz[1] - span_hz[0])
        self.rms_width_hz = sqrt(float(((span_hz - centre_hz) ** 2 * shape).sum() / shape.sum()))

    def response(self, offset_hz: Floats) -> Complexes:
        """Return the response at offsets from the frequency tuned to, without the leak."""
        x = 2j * (offset_hz - self.centre_hz) / self._bandwidth_hz
        response: Complexes = np.ones(x.shape, dtype=np.complex128)
        for pole in self._poles:
            response = response * (-pole / (x - pole))
        return np.asarray(response, dtype=np.complex128)

    def power_gain(self, offset_hz: Floats) -> Floats:
        """Return the power response without the leak."""
        return np.asarray(np.abs(self.response(offset_hz)) ** 2)

    def leaky_response(self, offset_hz: Floats) -> Complexes:
        """Return the response with what leaks past the filter."""
        return np.asarray(self.response(offset_hz) + self._leak, dtype=np.complex128)

    def selectivity(self, offset_hz: float) -> float:
        """Return the power response at ``offset_hz``, leak included (1 at the centre)."""
        x = 2j * (offset_hz - self.centre_hz) / self._bandwidth_hz
        response = (
            1.0 + 0j
        )  # as `response` has it, for one offset without an array: each look of an instrument asks
        for pole in self._poles:
            response *= -pole / (x - pole)
        return float(abs(response + self._leak) ** 2)

    def noise_power_w(self, noise_figure_db: float) -> float:
        """Return the receiver's own noise, referred to the antenna connector, in the noise bandwidth."""
        density = BOLTZMANN_W_S_PER_K * REFERENCE_TEMPERATURE_K * 10.0 ** (noise_figure_db / 10.0)
        return float(density * self.noise_bandwidth_hz)

    def order_density(self, order: int, offset_hz: Floats) -> Floats:
        """Return the spectrum of the noise's ``order``-th power, of unit area; offsets are from ``order`` times the centre."""
        if order == 1:
            return self.power_gain(self.centre_hz + offset_hz) / self.noise_bandwidth_hz
        span_hz, densities = self._order_densities
        density = densities[order]
        reach_hz = float(span_hz[-1]) * order
        return np.interp(
            offset_hz, np.linspace(-reach_hz, reach_hz, len(density)), density, left=0.0, right=0.0
        )

    @cached_property
    def _order_densities(self) -> tuple[Floats, dict[int, Floats]]:
        span_hz = np.linspace(-1.5, 1.5, 601) * self._bandwidth_hz
        step_hz = float(span_hz[1] - span_hz[0])
        shape = self.power_gain(self.centre_hz + span_hz) / self.noise_bandwidth_hz
        second = np.convolve(shape, shape) * step_hz
        return span_hz, {2: second, 3: np.convolve(second, shape) * step_hz}

    def autocorrelation(self) -> tuple[Floats, Floats, Floats]:
        """Return times, s, and the autocorrelation of noise about the filter's centre there, with its slope."""
        span_hz = np.linspace(-2.0, 2.0, 201) * self._bandwidth_hz
        shape = self.power_gain(self.centre_hz + span_hz)
        shape = shape / float(shape.sum())
        time_s = (np.arange(600) + 0.5) * 0.02 / self._bandwidth_hz  # 12 times the filter's own duration
        turning = 2.0 * pi * span_hz
        g, slope = wave_sums(time_s, turning, shape, turning * shape)
        g = np.where(np.abs(g) < 1e-6, 1e-6, g)
        return time_s, g, -slope
