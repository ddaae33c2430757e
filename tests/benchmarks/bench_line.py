"""Print units an hour and the time from scan to first reading: a `run` for each unit beside a station, with a bench's real delays.

    python tests/benchmarks/bench_line.py [--units 4] [--sequence quick-check]

The simulated bench keeps a bench's own pace here (`clock: real`): settling, readings, key time and rests pass in real time, and what
this program adds comes on top. *Bound* is what settling, readings and key time alone take, by the same runs in virtual time. The handling
of units is a person's or a machine's and is not in these figures. What is in memory answers at once: a real link adds 1 to 3 ms to each
message, some 100 to 200 a check, to both alike, and opening an instrument (its reset) some 0.1 to 0.5 s more to a `run` alone.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sequencer.results.store.store import Store, Wanted

TOP = Path(__file__).resolve().parents[2]
SERIALS = ("M40-0007", "M40-0018", "M40-0012", "M40-0013", "M40-0015", "M40-0016")
READS = ("MEAS", "READ", "FETC")


def main() -> None:
    """Measure both, and print a table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--units", type=int, default=4)
    options.add_argument("--sequence", default="quick-check")
    asked = options.parse_args()
    serials = SERIALS[: asked.units]
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        bench = folder / "real.yaml"
        text = (TOP / "sim" / "bench.yaml").read_text(encoding="utf-8")
        bench.write_text(
            text.replace("unit: units ", f"unit: {TOP / 'sim' / 'units'} ").replace(
                "clock: virtual", "clock: real"
            ),
            encoding="utf-8",
        )
        common = [asked.sequence, "--bench", str(bench), "--confirmed"]
        bound_s = _bound_s(folder, asked.sequence, serials)
        began_s = time.monotonic()
        for serial in serials:
            _sequencer(folder, "before", "run", *common, "--serial", serial)
        before_s = (time.monotonic() - began_s) / len(serials)
        told = _station(folder, common, serials)
    after_s = (told[-1][2] - told[0][0]) / len(serials)
    print(f"{asked.sequence}, {len(serials)} units, s a unit and units an hour (handling not counted)")
    for name, each_s in (("a run for each", before_s), ("station", after_s), ("bound", bound_s)):
        print(f"  {name:16}{each_s:8.2f} s{3600.0 / each_s:8.0f} an hour")
    first = [first_s - scan_s for scan_s, first_s, _ in told]
    then = [f"{one:.2f}" for one in (statistics.median(first[1:]), max(first[1:]))]
    print(
        f"scan to first reading: first unit {first[0]:.2f} s, then {then[0]} s (median), {then[1]} s at most"
    )


def _sequencer(folder: Path, results: str, *words: str) -> None:
    code = f"import sys; sys.path.insert(0, {str(TOP)!r}); from sequencer.cli.main import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, *words, "--folder", str(folder / results)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr


def _bound_s(folder: Path, sequence: str, serials: tuple[str, ...]) -> float:
    """Return what settling, readings and key time take for a unit, s: in virtual time."""
    for serial in serials:
        _sequencer(folder, "bound", "run", sequence, "--bench", "bench", "--confirmed", "--serial", serial)
    with Store.open_to_read(folder / "bound" / "results.sqlite") as store:
        return statistics.fmean(one.bench_s or 0.0 for one in store.read_runs(Wanted(), limit=None))


def _station(folder: Path, common: list[str], serials: tuple[str, ...]) -> list[tuple[float, float, float]]:
    """Let a station measure the units, and return of each when it was scanned, first read and safe to change, s of the wall clock."""
    code = (
        f"import sys; sys.path.insert(0, {str(TOP)!r}); from tests.benchmarks.bench_line import marked; marked(); "
        "from sequencer.cli.main import main; main()"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, "line", *common, "--folder", str(folder / "after")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        bufsize=1,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    found: list[tuple[float, float, float]] = []
    scan_s = first_s = 0.0
    left = list(serials)
    for line in process.stdout:
        if line.startswith("first reading ") and not first_s:
            first_s = float(line.split()[-1])
        elif line.startswith("The unit may be changed") and scan_s:
            found.append((scan_s, first_s, time.monotonic()))
        elif line == "ready\n":
            if not left:
                process.stdin.close()
                break
            scan_s, first_s = time.monotonic(), 0.0
            process.stdin.write(left.pop(0) + "\n")
            process.stdin.flush()
    assert process.wait() in (0, 1)
    return found


def marked() -> None:
    """Have a station say when the answer to each question that measures came, but for the supply's own: called in its process."""
    from drivers.link.link import Link

    exchange = Link._exchange

    def timed(self: Link, message: str, *more: Any, **options: Any) -> Any:
        answer = exchange(self, message, *more, **options)
        if any(word in message.upper() for word in READS) and "VOLT" not in message.upper():
            print(f"first reading {time.monotonic():.6f}", flush=True)
        return answer

    Link._exchange = timed  # type: ignore[method-assign]


if __name__ == "__main__":
    main()
