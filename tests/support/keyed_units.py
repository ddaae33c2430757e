"""Runs of VHF specimens whose keying is stated, and what they truly do: by their law, in fine steps, with no samples between."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sim.radio.keying import Keying
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
    text = BENCH.read_text(encoding="utf-8").replace("seed: 1", f"seed: {seed}")
    text = text.replace("unit: units ", f"unit: {BENCH.resolve().parent / 'units'} ")
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    items = "".join(f"  - {{{one}}}\n" for one in checks)
    (folder / "sequence.yaml").write_text(VHF + items, encoding="utf-8")
    plan = make_plan(
        load_sequence(str(folder / "sequence.yaml")), load_bench(str(folder / "bench.yaml")), serial=serial
    )
    rig = Rig(plan, serial)
    if spoil is not None:
        spoil(rig)
    rig.run()
    assert rig.simulation.hazards == ()
    return rig


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
