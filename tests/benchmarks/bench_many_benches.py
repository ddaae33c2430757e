"""Print how much longer several simulated benches take at once than one alone, at a bench's own pace, and what a further one costs.

    python tests/benchmarks/bench_many_benches.py [--benches 1 2 4 8 16] [--sequence fm-mobile-acceptance] [--store FILE|ADDRESS]

Target for sixteen: 1.15 times the wall time of one. The simulated benches keep real time (`clock: real`): settling, readings and rests are
sleeps, and what a simulated instrument works out is processor time that a real one would spend itself. Others on the machine are in the
ratio: the load is printed after each row.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store

TOP = Path(__file__).resolve().parents[2]


def main() -> None:
    """Measure each number of benches, and print a row of each."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument(
        "--benches", type=int, nargs="+", default=[1, 16], help="one is measured in any case"
    )
    options.add_argument("--sequence", default="fm-mobile-acceptance")
    options.add_argument("--store", default="")
    asked = options.parse_args()
    cores = os.cpu_count() or 1
    print(f"{asked.sequence}, a sound unit on each, real time, on {cores} cores")
    one_s = before_cpu_s = 0.0
    before = 0
    with tempfile.TemporaryDirectory() as made:
        for count in sorted({1, *asked.benches}):
            took_s, cpu_s = _worked(Path(made), asked, count)
            one_s = one_s or took_s
            line = f"  {count:3} benches {took_s:7.1f} s, {took_s / one_s:.3f} times one; processor {cpu_s:6.2f} s"
            if before:
                line += (
                    f", {(cpu_s - before_cpu_s) / (count - before):.2f} s for each bench more than {before}"
                )
            load = f"load {os.getloadavg()[0]:.1f}"
            print(f"{line}; shared by the cores {cpu_s / cores:.1f} s; {load}", flush=True)
            before, before_cpu_s = count, cpu_s
    if before >= 16:
        print(f"  at most 1.15 times: {'reached' if took_s <= 1.15 * one_s else 'MISSED'}")


def _worked(folder: Path, asked: argparse.Namespace, count: int) -> tuple[float, float]:
    """Return the wall time and the processor time of so many benches at once, s; every result must be in the store."""
    text = (TOP / "sim" / "bench.yaml").read_text(encoding="utf-8").replace("clock: virtual", "clock: real")
    sound = (TOP / "sim" / "units" / "m40-0007.yaml").read_text(encoding="utf-8")
    where = folder / f"at-{count}"
    where.mkdir()
    listed = ["bench,serial"]
    for number in range(1, count + 1):
        unit = where / f"unit{number}.yaml"
        unit.write_text(sound.replace("M40-0007", f"M40-9{number:03}"), encoding="utf-8")
        bench = text.replace("Demonstration bench", f"Bench {number}").replace(
            "unit: units ", f"unit: {unit} "
        )
        (where / f"bench{number}.yaml").write_text(bench, encoding="utf-8")
        listed.append(f"bench{number}.yaml,M40-9{number:03}")
    (where / "list.csv").write_text("\n".join(listed) + "\n", encoding="utf-8")
    words = [
        "benches",
        "list.csv",
        "--sequence",
        asked.sequence,
        "--confirmed",
        "--json",
        "--folder",
        "results",
    ]
    words += ["--store", asked.store] if asked.store else []
    code = f"import sys; sys.path.insert(0, {str(TOP)!r}); from sequencer.cli.main import main; main()"
    before_s, began_s = _children_s(), time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", code, *words], cwd=where, capture_output=True, text=True, check=False
    )
    took_s, cpu_s = time.monotonic() - began_s, _children_s() - before_s
    assert done.returncode == 0, done.stderr[-2000:]
    runs = [run for one in json.loads(done.stdout)["benches"] for run in one["runs"]]
    with Store.open_to_read(find_place(where / "results", asked.store)) as store:
        for run in runs:
            assert len(store.read_results(run["run"])) == len(run["results"]) > 0
    return took_s, cpu_s


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main()
