"""What a specimen truly does, asked of a unit of its own that no instrument stands before; and benches with a second generator."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from sim.clock import VirtualClock
from sim.radio.simulated_unit import SimulatedUnit
from sim.rf_signal import RfSignal
from tests.support.multimode_desk import specimen

BENCH = Path("sim/bench.yaml")
INTERFERER = """\
  interferer:
    role: signal_generator
    address: TCPIP0::192.0.2.19::5025::SOCKET
    level: {min: -137 dBm, max: 13 dBm}
    accuracy: {level: 0.5 dB, frequency: 0.1 ppm, deviation: 2 %, depth: 2 %, tone: 0.1 %}
    vswr: 1.3
"""


def bench_text(*, seed: int = 1, interferer: str = "") -> str:
    """Return the shipped bench with another seed, or with a second generator in front of everything."""
    text = BENCH.read_text(encoding="utf-8").replace("seed: 1", f"seed: {seed}")
    text = text.replace("unit: units ", f"unit: {BENCH.resolve().parent / 'units'} ")
    return text.replace("instruments:\n", "instruments:\n" + interferer, 1)


def write_bench(folder: Path, **how: str | int) -> str:
    """Write that bench and return its path."""
    file = folder / "bench.yaml"
    file.write_text(bench_text(**how), encoding="utf-8")  # type: ignore[arg-type]
    return str(file)


class TrueUnit:
    """One specimen at nominal supply, warmed up, knobs right, on a channel."""

    def __init__(self, serial: str, mode: str, channel: int) -> None:
        found = specimen(serial)
        self.clock = VirtualClock()
        self.unit = SimulatedUnit(found, self.clock, np.random.default_rng(7))
        self.unit.set_supply_v(found.transmitter.nominal_supply_v)
        self.unit.confirm_knobs()
        self.unit.set_mode(mode)
        self.unit.set_channel(channel)
        self.clock.wait_s(1_000.0)

    def hear(self, wanted: RfSignal | None, interferer: RfSignal | None = None) -> SimulatedUnit:
        """Apply signals, let everything come to rest, and return the unit."""
        self.unit.apply_rf(wanted, interferer)
        self.clock.wait_s(20.0)
        return self.unit

    def carrier(self, level_dbm: float, offset_hz: float = 0.0, **modulation: float) -> RfSignal:
        """Return a signal on the dial or beside it."""
        return RfSignal(level_dbm=level_dbm, frequency_hz=self.unit.dial_hz + offset_hz, **modulation)


def where(crosses: Callable[[float], float], target: float, low: float, high: float) -> float:
    """Return the level between ``low`` and ``high`` at which a function that rises or falls reaches ``target``, to 0.001 dB."""
    rises = crosses(high) > crosses(low)
    while high - low > 1e-3:
        middle = (low + high) / 2.0
        low, high = (low, middle) if (crosses(middle) > target) == rises else (middle, high)
    return (low + high) / 2.0
