"""Print what a run over sockets was forecast to take, and what it took: the simulated bench served by another process, in real time.

    python tests/benchmarks/bench_forecasts.py [SEQUENCE:SERIAL ...]

The tests hold forecasts in virtual time, where an exchange costs nothing; here each costs what it costs on the machine. Without
arguments the shipped sequences whose knobs stand right as delivered, some three minutes.
"""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SEQUENCER = (sys.executable, "-m", "sequencer")
RUNS = (
    "quick-check:M40-0007",
    "fm-mobile-acceptance:M40-0007",
    "multimode-27mhz:MX40-0101",
    "hf-ssb-transceiver:H10-0201",
)
_TOOK = re.compile(r"bench time +(\S+) (s|min) \(forecast (\S+) (s|min)\)")


def main() -> int:
    """Print a line for each run; return 1 if one did not end in order, or took more than 20 % more or less."""
    ended = 0
    for named in sys.argv[1:] or RUNS:
        sequence, _, serial = named.partition(":")
        with tempfile.TemporaryDirectory() as folder:
            status, shown = _run(Path(folder), sequence, serial)
        found = _TOOK.search(shown)
        if status != 0 or found is None:
            print(f"{named}: status {status}\n{shown}", flush=True)
            ended = 1
            continue
        took_s, forecast_s = (float(found[at]) * (60.0 if found[at + 1] == "min" else 1.0) for at in (1, 3))
        off = took_s / forecast_s - 1.0
        print(f"{named:32} {took_s:6.1f} s, forecast {forecast_s:6.1f} s: {100.0 * off:+.0f} %", flush=True)
        ended |= abs(off) > 0.2
    return ended


def _run(folder: Path, sequence: str, serial: str) -> tuple[int, str]:
    bench = folder / "reached.yaml"
    serving = subprocess.Popen(
        [*SEQUENCER, "simulate", "--bench", "bench", "--serial", serial, "--write-bench", str(bench)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
    )
    try:
        while not bench.exists() and serving.poll() is None:
            time.sleep(0.1)
        words = ["run", sequence, "--bench", str(bench), "--serial", serial, "--confirmed"]
        ran = subprocess.run(
            [*SEQUENCER, *words, "--folder", str(folder / "results")],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
    finally:
        serving.send_signal(signal.SIGINT)
        serving.wait(10)
    return ran.returncode, ran.stdout


if __name__ == "__main__":
    sys.exit(main())
