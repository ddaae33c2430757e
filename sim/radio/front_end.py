"""What a receiver makes of signals beside its channel, by where they stand: mixers, first filter, oscillator noise, third order.

Sources. Mixing: a signal at f comes through where ``m f - n f_oscillator`` is plus or minus the intermediate frequency (any handbook of the
superheterodyne: image 2 IF away, half of the intermediate frequency with m = n = 2); what of order m comes through rises by m dB for each
dB. Third order: 2 f1 - f2 at 2 P1 + P2 - 2 IP3 (cubic characteristic). The oscillator's noise falls by 20 dB a decade to a floor. The
first filter is a Butterworth of two poles about the channel: what leaks past the channel filter has to pass it. From memory.

Not modelled: responses of the generators' harmonics, a front-end filter that spares the mixer from far signals, products of higher order,
what the modulation of a signal becomes in a response of order 2 and more (it counts as noise).
"""

from __future__ import annotations

from collections.abc import Iterator
from math import log10
from typing import Literal

from sim.frozen import dataclass
from sim.requirements import require, require_finite, require_positive
from sim.rf_signal import RfSignal

STATED_AT_DBM = -107.0
"""The wanted signal that rejections are stated at: 6 dBuV emf."""
_NEAR_HZ = 10e3
_NEAREST_HZ = 1e3  # nearer to its carrier the noise is taken as no greater
_LEAST_DBM = -200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """A place where the first mixer lets a signal through: harmonic ``signal`` of it with harmonic ``oscillator``.

    ``rejection_db``: how far above -107 dBm a signal there must stand to come through as -107 dBm on the channel would.
    """

    signal: int
    oscillator: int
    rejection_db: float

    def __post_init__(self) -> None:
        require(self.signal in range(1, 10), "signal", self.signal, "1 to 9")
        require(self.oscillator in range(10), "oscillator", self.oscillator, "0 to 9")
        require(0 <= self.rejection_db <= 200, "rejection_db", self.rejection_db, "0 to 200")


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontEnd:
    """A double superheterodyne: its frequencies, its first filter, and how well it rejects.

    ``first_oscillator`` stands above the channel or below it, ``second_oscillator`` above or below the first intermediate frequency.
    Beside its channel the receiver's ``phase_noise_db`` holds 10 kHz away, and ``far_noise_db`` far away, dBc/Hz. ``intercept_dbm``
    is of third order, at the antenna connector.
    """

    first_if_hz: float = 10_695_000.0
    second_if_hz: float = 455_000.0
    first_oscillator: Literal["high", "low"] = "high"
    second_oscillator: Literal["high", "low"] = "low"
    first_filter_hz: float = 15_000.0
    far_noise_db: float = -145.0
    image_db: float = 86.0
    half_if_db: float = 86.0
    if_db: float = 95.0
    second_image_db: float = 88.0
    responses: tuple[Response, ...] = ()
    intercept_dbm: float = 4.0

    def __post_init__(self) -> None:
        require_positive(self, "first_if_hz", "second_if_hz", "first_filter_hz")
        require_finite(self, "intercept_dbm")
        for name in ("first_oscillator", "second_oscillator"):
            require(getattr(self, name) in ("high", "low"), name, repr(getattr(self, name)), "high or low")
        for name in ("image_db", "half_if_db", "if_db", "second_image_db"):
            require(0 <= getattr(self, name) <= 200, name, getattr(self, name), "0 to 200")
        require(-200 <= self.far_noise_db <= -60, "far_noise_db", self.far_noise_db, "-200 to -60")
        require(self.second_if_hz < self.first_if_hz, "second_if_hz", self.second_if_hz, "below first_if_hz")

    def noise_dbc(self, offset_hz: float, near_db: float) -> float:
        """Return the oscillator's noise ``offset_hz`` away, dBc/Hz, where it has ``near_db`` 10 kHz away."""
        steps = _NEAR_HZ / max(abs(offset_hz), _NEAREST_HZ)
        return 10.0 * log10(10.0 ** (self.far_noise_db / 10.0) + 10.0 ** (near_db / 10.0) * steps**2)

    def first_filter(self, offset_hz: float) -> float:
        """Return what of a power passes the first filter, as a share."""
        return 1.0 / (1.0 + (2.0 * offset_hz / self.first_filter_hz) ** 4)

    def comes_through(
        self, level_dbm: float, frequency_hz: float, tuned_hz: float
    ) -> Iterator[tuple[float, float]]:
        """Give for each response how far from the channel's middle a signal lands behind the mixers, Hz, and as which level, dBm."""
        side = 1.0 if self.first_oscillator == "high" else -1.0
        oscillator_hz = tuned_hz + side * self.first_if_hz
        second_side = side if self.second_oscillator == "low" else -side
        second_image_hz = tuned_hz + second_side * 2.0 * self.second_if_hz
        places = [
            (frequency_hz - (tuned_hz + side * 2.0 * self.first_if_hz), 1, self.image_db),
            (2.0 * (frequency_hz - (tuned_hz + side * self.first_if_hz / 2.0)), 2, self.half_if_db),
            (frequency_hz - self.first_if_hz, 1, self.if_db),
            (frequency_hz - second_image_hz, 1, self.second_image_db),
        ]
        for one in self.responses:
            mixed_hz = abs(one.signal * frequency_hz - one.oscillator * oscillator_hz)
            places.append((mixed_hz - self.first_if_hz, one.signal, one.rejection_db))
        for offset_hz, order, rejection_db in places:
            yield offset_hz, STATED_AT_DBM + order * (level_dbm - STATED_AT_DBM - rejection_db)

    def product_of(self, near: RfSignal, far: RfSignal, loss_db: float) -> RfSignal | None:
        """Return the product of third order of two signals, as if it stood at the connector before ``loss_db``; None below 0 Hz.

        It lies as far from ``near`` as that does from ``far``, whose modulation it has.
        """
        frequency_hz = 2.0 * near.frequency_hz - far.frequency_hz
        if frequency_hz <= 0:
            return None
        level_dbm = 2.0 * near.level_dbm + far.level_dbm - 2.0 * self.intercept_dbm - 2.0 * loss_db
        return RfSignal(
            level_dbm=max(_LEAST_DBM, level_dbm),
            frequency_hz=frequency_hz,
            fm_deviation_hz=far.fm_deviation_hz,
            am_depth_percent=far.am_depth_percent,
            tone_hz=far.tone_hz,
        )
