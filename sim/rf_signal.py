"""A generator's signal, as it stands at one connector, and the noise beside its carrier.

The noise falls by 20 dB a decade from 10 kHz to a floor (any handbook of oscillators; from memory). Not modelled: the flat part near the
carrier and what falls faster there, spurious lines, the thermal noise of whatever lies between generator and unit.
"""

from __future__ import annotations

from sim.frozen import dataclass

_NEAR_HZ = 10e3
_NEAREST_HZ = 1e3  # nearer to the carrier none is counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Below:
    """What a second source modulates it with, below speech: a sine of ``tone_hz``, or where there are ``bits`` those, again and again."""

    deviation_hz: float
    tone_hz: float = 0.0
    bits: str = ""
    bit_rate: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceNoise:
    """What noise a generator truly has, dBc in 1 Hz: ``near_dbc`` 10 kHz beside its carrier, ``far_dbc`` far away; None is none."""

    near_dbc: float | None = None
    far_dbc: float | None = None

    def share(self, offset_hz: float, width_hz: float) -> float:
        """Return what lies within ``width_hz`` about ``offset_hz``, as a share of the carrier's power: both parts integrated."""
        low_hz = max(abs(offset_hz) - width_hz / 2.0, _NEAREST_HZ)
        near = 0.0 if self.near_dbc is None else 10.0 ** (self.near_dbc / 10.0)
        far = 0.0 if self.far_dbc is None else 10.0 ** (self.far_dbc / 10.0)
        return near * _NEAR_HZ**2 * (1.0 / low_hz - 1.0 / (low_hz + width_hz)) + far * width_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class RfSignal:
    """Available power in 50 ohm at one connector, carrier and modulation (0 means none), and the noise that comes along."""

    level_dbm: float
    frequency_hz: float
    fm_deviation_hz: float = 0.0
    am_depth_percent: float = 0.0
    tone_hz: float = 1_000.0
    below: Below | None = None
    noise: SourceNoise | None = None

    def __post_init__(self) -> None:
        if not (self.frequency_hz > 0 and self.tone_hz > 0 and self.fm_deviation_hz >= 0):
            raise ValueError(f"{self}: frequency and tone must be above 0 Hz, deviation 0 Hz or more")
