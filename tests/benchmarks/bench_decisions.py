"""2,000 simulated units with known truth through the whole chain: wrong accepts against what the rule promises.

    python tests/benchmarks/bench_decisions.py [units]

Each unit has a noise figure of its own, so that its true 12 dB SINAD level scatters about the limit; each stands on a bench
whose hidden errors are drawn inside the stated accuracies. The truth is found by bisection on the simulated unit's endless
reading, never by the search.
A unit whose truth violates the limit and which passes is a wrong accept. The guarded rule (w = U) promises at most 2.3 % of such
units near the limit (ILAC-G8:09/2019), over a population far fewer; the simple rule promises 50 % at the limit.
"""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from sequencer.bench.open_bench import BenchParts, OpenBench
from sequencer.bench.simulation import simulate
from sequencer.checks.base import Conditions
from sequencer.checks.receive.sensitivity import Sensitivity, SensitivitySettings
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.uncertainty.decision import GUARDED, SIMPLE, Decision, Limits, decide
from sim.bench import SimulatedBench
from sim.radio.unit import Receiver, Specimen
from sim.rf_signal import RfSignal

FREQUENCY_HZ = 27.205e6
LIMIT_DBM = -114.0
MEAN_FIGURE_DB, SPREAD_DB = 12.2, 1.2  # 12.2 dB gives about -114 dBm: this population lies about the limit


@cache
def _bench() -> LoadedBench:
    return load_bench("sim/bench.yaml")


def true_level_dbm(simulation: SimulatedBench) -> float:
    """Return the level at the antenna connector at which an endless reading shows 12 dB SINAD."""
    low_dbm, high_dbm = -130.0, -90.0
    while high_dbm - low_dbm > 0.001:
        middle_dbm = 0.5 * (low_dbm + high_dbm)
        signal = RfSignal(
            level_dbm=middle_dbm, frequency_hz=FREQUENCY_HZ, fm_deviation_hz=1200.0, tone_hz=1000.0
        )
        simulation.unit.apply_rf(signal)
        if simulation.unit.mean_sinad_db() < 12.0:
            low_dbm = middle_dbm
        else:
            high_dbm = middle_dbm
    simulation.unit.apply_rf(None)
    return 0.5 * (low_dbm + high_dbm)


def measured(seed: int, noise_figure_db: float) -> tuple[float, float, float, float]:
    """Return truth, value, expanded uncertainty and coverage factor of one unit's sensitivity, through drivers and safe sides."""
    loaded = _bench()
    bench = loaded.bench.model_copy(update={"seed": seed})
    specimen = Specimen(serial=f"U{seed}", receiver=Receiver(noise_figure_db=noise_figure_db))
    simulation = simulate(bench, specimen, virtual=True)
    settings = SensitivitySettings(check="sensitivity", channel=20)
    conditions = Conditions(bench=bench, channel=20, frequency_hz=FREQUENCY_HZ, mode="FM")
    with OpenBench(BenchParts(bench=bench, profiles=loaded.profiles, simulation=simulation)) as opened:
        opened.safe.set_supply(13.2)
        opened.confirm_knobs()
        opened.clock.wait_s(1.0)
        with opened.safe.receive_side(channel=20, mode="FM", frequency_hz=FREQUENCY_HZ) as side:
            (finding,) = Sensitivity().receive(side, settings, conditions)
        truth_dbm = true_level_dbm(simulation)
    assert simulation.hazards == ()
    if finding.value is None or finding.budget is None:
        raise AssertionError(f"unit {seed}: {finding.note}")
    return truth_dbm, finding.value, finding.budget.expanded, finding.budget.coverage_factor


def judge(units: int, *, first_seed: int = 1) -> dict[str, float]:
    """Return what came of ``units`` units: coverage of U, and the wrong accepts and rejects of both rules."""
    figures_db = np.random.default_rng(first_seed).normal(MEAN_FIGURE_DB, SPREAD_DB, units)
    limits = Limits(upper=LIMIT_DBM)
    counts = dict.fromkeys(
        ("covered", "bad", "simple accepts", "guarded accepts", "good", "guarded rejects"), 0
    )
    for number, noise_figure_db in enumerate(figures_db):
        truth, value, expanded, factor = measured(first_seed + number, float(noise_figure_db))
        conforms = truth <= LIMIT_DBM
        counts["covered"] += abs(value - truth) <= expanded
        counts["good" if conforms else "bad"] += 1
        simple = decide(value, expanded, limits, SIMPLE, coverage_factor=factor).decision
        guarded = decide(value, expanded, limits, GUARDED, coverage_factor=factor).decision
        counts["simple accepts"] += not conforms and simple is Decision.PASS
        counts["guarded accepts"] += not conforms and guarded is Decision.PASS
        counts["guarded rejects"] += conforms and guarded is Decision.FAIL
    return {"units": units, **counts}


def main() -> None:
    """Print the table."""
    units = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    found = judge(units)
    bad, good = max(1, found["bad"]), max(1, found["good"])
    print(f"{units} units, limit {LIMIT_DBM} dBm: {found['bad']} beyond it in truth, {found['good']} within")
    print(f"expanded uncertainty covers the truth: {100 * found['covered'] / units:.1f} % (about 95 stated)")
    print(
        f"simple rule:  {found['simple accepts']} wrong accepts, {100 * found['simple accepts'] / bad:.2f} % of the bad"
    )
    print(
        f"guarded rule: {found['guarded accepts']} wrong accepts, {100 * found['guarded accepts'] / bad:.2f} % of the bad; "
        f"{found['guarded rejects']} wrong fails, {100 * found['guarded rejects'] / good:.2f} % of the good"
    )


if __name__ == "__main__":
    main()
