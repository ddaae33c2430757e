"""A generator's signal, as it stands at one connector."""

from __future__ import annotations

from sim.frozen import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Below:
    """What a second source modulates it with, below speech: a sine of ``tone_hz``, or where there are ``bits`` those, again and again."""

    deviation_hz: float
    tone_hz: float = 0.0
    bits: str = ""
    bit_rate: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RfSignal:
    """Available power in 50 ohm at one connector, carrier and modulation (0 means none)."""

    level_dbm: float
    frequency_hz: float
    fm_deviation_hz: float = 0.0
    am_depth_percent: float = 0.0
    tone_hz: float = 1_000.0
    below: Below | None = None

    def __post_init__(self) -> None:
        if not (self.frequency_hz > 0 and self.tone_hz > 0 and self.fm_deviation_hz >= 0):
            raise ValueError(f"{self}: frequency and tone must be above 0 Hz, deviation 0 Hz or more")
