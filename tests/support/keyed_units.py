"""Runs of VHF specimens whose keying is stated, and what they truly do: by their law, in fine steps, with no samples between."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sim.radio.keying import Keying
from tests.support import over_sockets
from tests.support.multimode_desk import specimen
from tests.support.rig import Rig

BENCH = Path("sim/spectrum-bench.yaml")
VHF = "sequence: Keying\nchannels: plans/vhf-workshop.yaml\nmode: FM\nsupply: 7.4 V\nrated_power: 6 W\nchecks:\n"
CHANNEL_HZ = 158_012_500.0
NEVER = -1.0
STEP_S = 1e-6


def run(
    folder: Path,
    serial: str,
    *checks: str,
    seed: int = 1,
    spoil: Callable[[Rig], object] | None = None,
    **changes: str,
) -> Rig:
    """Run checks on a specimen; ``changes`` are texts of the bench file and what stands for each, ``spoil`` is done to the rig before."""
    _write_files(folder, checks, seed, changes)
    plan = make_plan(
        load_sequence(str(folder / "sequence.yaml")), load_bench(str(folder / "bench.yaml")), serial=serial
    )
    rig = Rig(plan, serial)
    if spoil is not None:
        spoil(rig)
    rig.run()
    assert rig.simulation.hazards == ()
    return rig


def _write_files(folder: Path, checks: Sequence[str], seed: int, changes: Mapping[str, str]) -> None:
    text = BENCH.read_text(encoding="utf-8").replace("seed: 1", f"seed: {seed}")
    text = text.replace("unit: units ", f"unit: {BENCH.resolve().parent / 'units'} ")
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    items = "".join(f"  - {{{one}}}\n" for one in checks)
    (folder / "sequence.yaml").write_text(VHF + items, encoding="utf-8")


def run_over_sockets(folder: Path, serial: str, *checks: str, seed: int) -> list[dict[str, Any]]:
    """Run checks on a bench that another process serves over TCP, in real time; returns the results as `run --json` gives them."""
    _write_files(folder, checks, seed, {})
    return over_sockets.run_over_sockets(folder, serial)


def law_of(serial: str) -> Keying:
    """Return how a specimen comes up and goes."""
    law = specimen(serial).keying
    assert law is not None
    return law


def true_time_to_power_s(serial: str, below_db: float = 1.0) -> float:
    """Return from the closed line to the last moment below the window, s."""
    time_s = np.arange(0.0, 0.3, STEP_S)
    size = law_of(serial).amplitude(time_s, np.full_like(time_s, NEVER))
    return float(time_s[size < 10.0 ** (-below_db / 20.0)].max()) + STEP_S


def true_transient(serial: str, tuned_hz: float, above_db: float = 30.0) -> dict[str, float]:
    """Return how far the frequency truly is off in t1, t2 and t3 of 5, 20 and 5 ms, Hz, and the power's rise and fall, s."""
    law, offset_hz = law_of(serial), tuned_hz - CHANNEL_HZ
    time_s = np.arange(0.0, 0.15, STEP_S)
    up, down = (
        law.amplitude(time_s, np.full_like(time_s, NEVER)),
        law.amplitude(np.full_like(time_s, 1.0), time_s),
    )
    there_s = time_s[up >= 10.0 ** (-above_db / 20.0)].min()
    gone_s = time_s[down >= 10.0 ** (-above_db / 20.0)].max()

    def farthest(from_s: float, to_s: float, *, released: bool) -> float:
        moments = np.arange(from_s, to_s, 1e-5)
        return max(
            abs(offset_hz + law.frequency_hz(*((1.0, one) if released else (one, 0.0)))) for one in moments
        )

    tenth, most = np.sqrt(0.1), np.sqrt(0.9)
    return {
        "frequency difference, t1": farthest(there_s, there_s + 0.005, released=False),
        "frequency difference, t2": farthest(there_s + 0.005, there_s + 0.025, released=False),
        "frequency difference, release": farthest(max(0.0, gone_s - 0.005), gone_s, released=True),
        "rise time of the power": float(time_s[up >= most].min() - time_s[up >= tenth].min()),
        "fall time of the power": float(time_s[down >= tenth].max() - time_s[down >= most].max()),
    }
