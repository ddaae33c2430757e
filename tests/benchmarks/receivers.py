"""Simulated receivers, meters, bars and squelches for judging the search; none uses a formula of the search.

FM, AM and SSB receivers are simulated as waveforms (complex noise, filters, discriminator or envelope), read in blocks of 50 ms
with the tone removed by projection, and kept as a table of block powers from which readings are drawn. Meters, bars and squelches are
parametric inventions with lag, hysteresis and jitter. Not modelled: fading, adjacent channels, AGC pumping.
The table is built at the first call (about two minutes) and kept in the system's temporary folder.
"""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy import signal

RATE_HZ = 48000
BLOCK_S = 0.05
BLOCKS = 400
TONE_HZ = 1000.0
TABLE_VERSION = 3
GENERATOR_SETTLE_S = 0.035
# (kind, IF bandwidth Hz, deviation Hz or modulation depth, de-emphasis, density of the first level in dBHz)
KINDS = [
    *(("fm", b, d, e) for b in (6500.0, 9000.0, 12500.0) for d in (1300.0, 2200.0) for e in (0, 1)),
    ("fm", 12500.0, 3000.0, 0),
    ("fm", 12500.0, 3000.0, 1),
    ("am", 6000.0, 0.3, 0),
    ("am", 8000.0, 0.6, 0),
    ("ssb", 2700.0, 0.0, 0),
]


@dataclass(frozen=True)
class Table:
    """Block statistics of one receiver: level (dBHz), mean and block-wise total power and tone amplitude."""

    name: str
    density_db: np.ndarray
    power: np.ndarray
    tone: np.ndarray


def demodulate(
    kind: str, bandwidth_hz: float, index: float, density_db: float, seconds: float, rng
) -> np.ndarray:
    """Return audio before the audio filter, for a carrier-to-noise density in dBHz."""
    count = int(seconds * RATE_HZ)
    time = np.arange(count) / RATE_HZ
    phase = 2 * np.pi * TONE_HZ * time
    sigma = math.sqrt(RATE_HZ / 10 ** (density_db / 10) / 2)
    noise = sigma * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    carrier = {
        "fm": lambda: np.exp(1j * index / TONE_HZ * np.sin(phase)),
        "am": lambda: (1 + index * np.cos(phase)) / math.sqrt(1 + index**2 / 2) + 0j,
        "ssb": lambda: np.exp(1j * phase),
    }[kind]()
    if kind == "ssb":
        return (carrier + noise).real * math.sqrt(2)
    sos = signal.butter(4, bandwidth_hz / 2, fs=RATE_HZ, output="sos")
    received = signal.sosfilt(sos, carrier + noise)
    if kind == "am":
        return np.abs(received)
    return np.angle(received[1:] * np.conj(received[:-1])) * RATE_HZ / (2 * np.pi)


def blocks(
    kind: str, bandwidth_hz: float, index: float, deemphasis: int, density_db: float, rng
) -> tuple[np.ndarray, np.ndarray]:
    """Return total power and complex tone amplitude of each block of filtered audio."""
    audio = demodulate(kind, bandwidth_hz, index, density_db, (BLOCKS + 4) * BLOCK_S, rng)
    band = (300.0, min(3000.0, 2700.0 if kind == "ssb" else 3000.0))
    audio = signal.sosfilt(signal.butter(4, band, "bandpass", fs=RATE_HZ, output="sos"), audio)
    if deemphasis:
        pole = math.exp(-1 / (RATE_HZ * 750e-6))
        audio = signal.lfilter([1 - pole], [1, -pole], audio)
    size = int(BLOCK_S * RATE_HZ)
    cut = audio[3 * size : (3 + BLOCKS) * size].reshape(BLOCKS, size)
    reference = np.exp(-2j * np.pi * TONE_HZ * np.arange(size) / RATE_HZ)
    return np.mean(cut**2, axis=1), 2 * np.mean(cut * reference, axis=1)


def sinad_db(power: np.ndarray, tone: np.ndarray) -> float:
    """Return SINAD of a run of blocks: tone averaged coherently, the rest as power."""
    total, kept = float(np.mean(power)), abs(complex(np.mean(tone))) ** 2 / 2
    return 10 * math.log10(total / max(total - kept, 1e-9 * total))


def build_tables() -> list[Table]:
    """Simulate every receiver around its 12 dB SINAD."""
    tables = []
    for number, (kind, bandwidth_hz, index, deemphasis) in enumerate(KINDS):
        rng = np.random.default_rng(1000 + number)

        def at(density_db, kind=kind, bandwidth_hz=bandwidth_hz, index=index, deemphasis=deemphasis, rng=rng):
            return blocks(kind, bandwidth_hz, index, deemphasis, density_db, rng)

        probe = np.arange(34.0, 66.0, 2.0)
        curve = [sinad_db(*at(d)) for d in probe]
        centre = float(np.interp(12.0, np.maximum.accumulate(curve), probe))
        offsets = np.concatenate(
            [np.arange(-9.0, -3.0, 1.5), np.arange(-3.0, 3.01, 0.5), np.arange(4.5, 16.1, 1.5)]
        )
        pairs = [at(centre + o) for o in offsets]
        tables.append(
            Table(
                name=f"{kind} {bandwidth_hz / 1000:g} kHz {index:g}{' de-emph' if deemphasis else ''}",
                density_db=centre + offsets,
                power=np.array([p for p, _ in pairs]),
                tone=np.array([t for _, t in pairs]),
            )
        )
    return tables


def tables() -> list[Table]:
    """Return the tables, from the temporary folder when they are there."""
    path = Path(tempfile.gettempdir()) / f"search-receivers-{TABLE_VERSION}.npz"
    if path.exists():
        with np.load(path) as kept:
            return [
                Table(str(kept[f"n{i}"]), kept[f"d{i}"], kept[f"p{i}"], kept[f"t{i}"])
                for i in range(len(KINDS))
            ]
    made = build_tables()
    arrays = {}
    for i, table in enumerate(made):
        arrays |= {
            f"n{i}": np.array(table.name),
            f"d{i}": table.density_db,
            f"p{i}": table.power,
            f"t{i}": table.tone,
        }
    np.savez_compressed(path, **arrays)
    return made


@dataclass
class Bench:
    """The study's clock: 35 ms for each change of level, plus what is waited, plus what is read."""

    seconds: float = 0.0
    reading_seconds: float = 0.0
    level_db: float | None = None

    def spend(self, ask) -> bool:
        """Let the ask's time pass; return whether the level changed."""
        moved = ask.level_db != self.level_db
        self.level_db = ask.level_db
        self.seconds += GENERATOR_SETTLE_S * moved + ask.wait_s + ask.reading_s
        self.reading_seconds += ask.reading_s
        return moved


class SinadReceiver:
    """A receiver with its SINAD meter: draws readings from a table, follows the level with a lag of ``tau_s``."""

    def __init__(
        self, table: Table, crossing_db: float, rng, *, target_db=12.0, tau_s=0.015, ceiling_db=40.0, **faults
    ):
        self.table, self.rng, self.tau_s, self.ceiling_db = table, rng, tau_s, ceiling_db
        self.faults = faults
        self.bench = Bench()
        power, tone = table.power.mean(axis=1), np.abs(table.tone.mean(axis=1)) ** 2 / 2
        self.log_noise = np.log(power - tone)
        self.log_tone = np.log(tone)
        curve = 10 * np.log10(1 + tone / (power - tone))
        self.truth_db = crossing_db
        self.offset_db = (
            float(np.interp(target_db, np.maximum.accumulate(curve), table.density_db)) - crossing_db
        )
        self.state_db = -140.0

    def integration_s(self, accuracy_db: float) -> float:
        """Return the Cramer-Rao integration time for a 95 % half-width: noise power's scatter through the curve's slope."""
        t = self.table
        at = self.truth_db + self.offset_db
        j = int(np.argmin(np.abs(t.density_db - at)))
        tone = np.abs(t.tone[j].mean()) ** 2 / 2
        noise = t.power[j] - np.abs(t.tone[j]) ** 2 / 2
        runs = noise[: BLOCKS // 4 * 4].reshape(-1, 4).mean(axis=1)
        relative = runs.std() / runs.mean()
        share = tone / (tone + noise.mean())
        curve = 10 * np.log10(1 + np.exp(self.log_tone - self.log_noise))
        slope = (
            float(np.interp(at + 0.75, t.density_db, curve) - np.interp(at - 0.75, t.density_db, curve)) / 1.5
        )
        level_sd = 4.343 * share * relative / slope  # of a 0.2 s reading
        return 0.2 * (1.96 * level_sd / accuracy_db) ** 2

    def measure(self, ask) -> float:
        """Set, wait, read."""
        moved = self.bench.spend(ask)
        settle = ask.wait_s + (GENERATOR_SETTLE_S if moved else 0.0)
        step = self.state_db - ask.level_db
        left = step * math.exp(-settle / self.tau_s)
        mean_left = left * self.tau_s / ask.reading_s * -math.expm1(-ask.reading_s / self.tau_s)
        self.state_db = ask.level_db + left * math.exp(-ask.reading_s / self.tau_s)
        return self.read(ask.level_db + mean_left, ask.reading_s)

    def read(self, level_db: float, reading_s: float) -> float:
        """Draw one reading at an effective level."""
        t = self.table
        overload = self.faults.get("overload_db")
        if overload is not None and level_db > overload:
            level_db = self.truth_db - (level_db - overload)
        level_db += self.faults.get("drift_db_per_s", 0.0) * self.bench.seconds
        density = level_db + self.offset_db
        j = int(np.argmin(np.abs(t.density_db - density)))
        first, count = int(self.rng.integers(BLOCKS)), max(1, round(reading_s / BLOCK_S))
        index = (first + np.arange(count)) % BLOCKS
        gain_tone, gain_noise = 0.0, 0.0
        if t.density_db[0] <= density <= t.density_db[-1]:
            gain_tone = np.interp(density, t.density_db, self.log_tone) - self.log_tone[j]
            gain_noise = np.interp(density, t.density_db, self.log_noise) - self.log_noise[j]
        else:
            away = density - t.density_db[j]
            gain_noise, gain_tone = (-0.2303 * away, 0.0) if away > 0 else (0.0, 0.46 * away)
        power, tone = t.power[j][index], t.tone[j][index]
        kept = abs(np.mean(tone)) ** 2 / 2 * math.exp(gain_tone)
        rest = (float(np.mean(power)) - abs(np.mean(tone)) ** 2 / 2) * math.exp(gain_noise)
        rest += kept * 10 ** (-self.ceiling_db / 10)
        reading = 10 * math.log10(1 + kept / max(rest, 1e-12))
        if self.rng.random() < self.faults.get("outliers", 0.0):
            reading += float(self.rng.choice([-1, 1]) * self.rng.uniform(4, 15))
        step = self.faults.get("step", 0.0)
        return round(reading / step) * step if step else reading


@dataclass
class NeedleMeter:
    """An analogue signal meter: volts through a compressive law with a knee above S9, first-order lag, noise and ripple."""

    truth_db: float
    rng: np.random.Generator
    rise_s: float
    fall_s: float
    noise_db: float = 0.3
    volts_per_db: float = 0.03
    above: float = 0.6
    bow: float = 0.004
    faults: dict = field(default_factory=dict)
    bench: Bench = field(default_factory=Bench)
    state_v: float = 0.0

    target = 2.0

    def volts(self, level_db: float) -> float:
        """Return the resting voltage at a level."""
        away = level_db - self.truth_db
        shape = away * (self.above if away > 6 else 1.0) + (6 * (1 - self.above) if away > 6 else 0.0)
        law = self.target + self.volts_per_db * (
            shape - self.bow * away * abs(away) * 0.5 if away < 0 else shape
        )
        return float(np.clip(law, 0.1, 4.0))

    def measure(self, ask) -> float:
        """Set, wait, read."""
        moved = self.bench.spend(ask)
        rest = self.volts(ask.level_db)
        tau = self.rise_s if rest > self.state_v else self.fall_s
        settle = ask.wait_s + GENERATOR_SETTLE_S * moved
        left = (self.state_v - rest) * math.exp(-settle / tau)
        mean_left = left * tau / ask.reading_s * -math.expm1(-ask.reading_s / tau)
        self.state_v = rest + left * math.exp(-ask.reading_s / tau)
        noise = self.noise_db * self.volts_per_db * math.sqrt(0.1 / ask.reading_s)
        reading = rest + mean_left + noise * float(self.rng.standard_normal())
        step = self.faults.get("step", 0.0)
        return round(reading / step) * step if step else reading


@dataclass
class Bar:
    """A bar of lit segments with hysteresis, lag and jitter that acts while it is read in five looks a dwell."""

    rising_db: float
    hysteresis_db: float
    rng: np.random.Generator
    tau_s: float = 0.4
    jitter_db: float = 0.3
    spacing_db: float = 4.5
    segments: int = 12
    segment: int = 9
    missing: int = 0
    frozen: int | None = None
    bench: Bench = field(default_factory=Bench)
    state_db: float = -140.0
    lit: int = 0

    def measure(self, ask) -> list[bool]:
        """Set, wait, look; one draw of jitter a dwell."""
        moved = self.bench.spend(ask)
        settle = ask.wait_s + ask.reading_s + GENERATOR_SETTLE_S * moved
        self.state_db = ask.level_db + (self.state_db - ask.level_db) * math.exp(-settle / self.tau_s)
        seen = self.state_db + self.jitter_db * float(self.rng.standard_normal())
        while (
            self.lit < self.segments
            and seen > self.rising_db + (self.lit + 1 - self.segment) * self.spacing_db
        ):
            self.lit += 1
        while (
            self.lit > 0
            and seen < self.rising_db - self.hysteresis_db + (self.lit - self.segment) * self.spacing_db
        ):
            self.lit -= 1
        shown = self.lit if self.frozen is None else self.frozen
        return [i < shown and i + 1 != self.missing for i in range(self.segments)]


@dataclass
class Squelch:
    """A squelch with hysteresis, a short lag and jitter."""

    rising_db: float
    hysteresis_db: float
    rng: np.random.Generator
    tau_s: float = 0.06
    jitter_db: float = 0.5
    wrong: float = 0.0
    bench: Bench = field(default_factory=Bench)
    state_db: float = -140.0
    open: bool = False

    def measure(self, ask) -> bool:
        """Set, wait, listen."""
        moved = self.bench.spend(ask)
        settle = ask.wait_s + ask.reading_s + GENERATOR_SETTLE_S * moved
        self.state_db = ask.level_db + (self.state_db - ask.level_db) * math.exp(-settle / self.tau_s)
        seen = self.state_db + self.jitter_db * float(self.rng.standard_normal())
        self.open = seen > (self.rising_db - self.hysteresis_db if self.open else self.rising_db)
        return self.open != (self.rng.random() < self.wrong)


if __name__ == "__main__":
    for made in tables():
        print(made.name, [round(sinad_db(p, t), 1) for p, t in zip(made.power, made.tone, strict=True)][::3])
