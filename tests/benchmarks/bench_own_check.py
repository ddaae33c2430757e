"""How often the bench's check of itself cries wolf, and how small a change of the bench it tells.

Cries wolf: of 100,000 series of normal values each, the share whose next value lies outside the limits made of the first 8 or 20;
published for three sigma of a known process: 1 in 370.4 (NIST/SEMATECH e-Handbook 6.3.2.3). Then on the simulated bench: undisturbed
checks with other noise each, and benches with a known change. Takes two minutes.
Run: python tests/benchmarks/bench_own_check.py
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import fields
from pathlib import Path

import numpy as np
import yaml

from sequencer.analysis.control import limits_for_next, one_side
from sequencer.analysis.own_history import OwnHistory
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from sequencer.results.stored import StoredResult
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig

BENCH = Path("sim/self-checking-bench.yaml").resolve()
SEQUENCE = """
sequence: Own
checks:
  - {check: bench_check, levels: [0 dBm, -10 dBm], frequencies: [27 MHz], supply: 13.2 V, fewest: 8, baseline: BASELINE, ignore: 0 dB}
"""
BASELINE = 20
UNDISTURBED = 200
TRIALS = 20
CHANGES: Mapping[str, Mapping[str, str]] = {
    "generator's cable 1 dB worse": {"generator_cable": "1 dB"},
    "generator 0.7 dB low": {"generator": "-0.7 dB"},
    "power meter 0.1 dB high": {"power_meter": "0.1 dB"},
    "power meter 0.02 dB high": {"power_meter": "0.02 dB"},
    "power meter 0.01 dB high": {"power_meter": "0.01 dB"},
    "power meter 0.005 dB high": {"power_meter": "0.005 dB"},
}
DRIFT_DB = 0.002
_NAMES = [one.name for one in fields(Result)]


class Bench:
    """The simulated bench, checked again and again with other noise each time."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._connected = 1
        (folder / "own.yaml").write_text(SEQUENCE.replace("BASELINE", str(BASELINE)), encoding="utf-8")
        self._sequence = load_sequence(str(folder / "own.yaml"))

    def check(self, earlier: list[StoredResult], worn: Mapping[str, str]) -> list[StoredResult]:
        """Return what one check finds, as the store would give it back."""
        self._connected += 1
        content = yaml.safe_load(BENCH.read_text(encoding="utf-8"))
        content |= {"unit": str(BENCH.parent / "units"), "connected": self._connected, "worn": dict(worn)}
        file = self._folder / "bench.yaml"
        file.write_text(yaml.safe_dump(content), encoding="utf-8")
        rig = Rig(make_plan(self._sequence, load_bench(str(file))), "M40-0007")
        rig.record.earlier = OwnHistory(rows=tuple(earlier), simulated=True)
        return [
            StoredResult(**{name: getattr(one, name) for name in _NAMES}, id=1, check_index=0)
            for one in rig.run().results
        ]


def _wrong(results: list[StoredResult], quantity: str = "") -> list[StoredResult]:
    return [one for one in results if one.decision is Decision.FAIL and one.quantity.startswith(quantity)]


def _arithmetic() -> Iterator[str]:
    drawn = np.random.default_rng(1)
    for count in (8, 20):
        values = drawn.standard_normal((100_000, count + 1))
        ranges = np.abs(np.diff(values[:, :-1], axis=1)).mean(axis=1)
        factor = (
            limits_for_next([0.0, 1.0] * (count // 2)).half_width
            / limits_for_next([0.0, 1.0] * (count // 2)).sigma
        )
        sigma = ranges / (2.0 / np.sqrt(np.pi))
        off = np.abs(values[:, -1] - values[:, :-1].mean(axis=1))
        ours, plain = float((off > factor * sigma).mean()), float((off > 3.0 * sigma).mean())
        yield (
            f"limits of {count:2} values: next value outside {100 * ours:.2f} % (1 in {1 / ours:.0f}); "
            f"with plain three sigma {100 * plain:.2f} % (1 in {1 / plain:.0f}); published for a known process 0.27 % (1 in 370)"
        )


def _undisturbed(bench: Bench, base: list[StoredResult]) -> str:
    alarms = results = checks = rows = 0
    values: dict[str, list[float]] = {}
    for _ in range(UNDISTURBED):
        found = bench.check(base, {})
        wrong = _wrong(found)
        alarms, results, checks = alarms + len(wrong), results + len(found), checks + bool(wrong)
        for one in found:
            values.setdefault(one.quantity, []).append(one.value or 0.0)
    for name, series in values.items():
        centre = float(np.mean([one.value or 0.0 for one in base if one.quantity == name]))
        rows += sum(abs(one_side(series[: at + 1], centre)) == 8 for at in range(len(series)))
    return (
        f"undisturbed: {UNDISTURBED} checks of {len(values)} results: {alarms} of {results} results outside, in {checks} checks; "
        f"eight in a row told {rows} times"
    )


def _told(bench: Bench, base: list[StoredResult], change: str, worn: Mapping[str, str]) -> str:
    told = sum(bool(_wrong(bench.check(base, worn), "generator")) for _ in range(TRIALS))
    return f"{change}: told in {told} of {TRIALS} first checks"


def _drift(bench: Bench, base: list[StoredResult]) -> str:
    rows = list(base)
    for number in range(1, 101):
        found = bench.check(rows, {"power_meter": f"{number * DRIFT_DB:.3f} dB"})
        rows += found
        level = [one for one in found if one.quantity.startswith("generator")]
        if any("it drifts" in one.note for one in level) or _wrong(level):
            how = "outside its limits" if _wrong(level) else "eight in a row"
            return f"power meter that drifts {DRIFT_DB:g} dB a check: told after {number} checks, {number * DRIFT_DB:.3f} dB off, {how}"
    return "the drift was not told in 100 checks"


def main() -> int:
    """Print the figures."""
    for line in _arithmetic():
        print(line)
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        base: list[StoredResult] = []
        for _ in range(BASELINE):
            base += bench.check([], {})
        print(_undisturbed(bench, base), flush=True)
        for change, worn in CHANGES.items():
            print(_told(bench, base, change, worn), flush=True)
        print(_drift(bench, base))
    return 0


if __name__ == "__main__":
    sys.exit(main())
