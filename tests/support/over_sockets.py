"""Runs on a simulated bench that a process serves over TCP, in real time, and that a run of its own drives."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

COMMAND = (sys.executable, "-m", "sequencer")


def run_over_sockets(folder: Path, serial: str) -> list[dict[str, Any]]:
    """Run the folder's `sequence.yaml` on its `bench.yaml`, served; returns the results as `run --json` gives them.

    The bench must end safe, and the server's witness must have seen nothing.
    """
    served = folder / "served.yaml"
    serving = subprocess.Popen(
        [*COMMAND, "simulate", "--bench", "bench.yaml", "--serial", serial, "--write-bench", str(served)],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert serving.stdout is not None
        for line in serving.stdout:  # it says so once all of it is served
            if line.startswith("Ctrl-C"):
                break
        ran = subprocess.run(
            [
                *COMMAND,
                *("run", "sequence.yaml", "--bench", str(served), "--serial", serial),
                *("--confirmed", "--json"),
            ],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=900.0,
            check=False,
        )
        assert ran.stdout, ran.stderr
        found = json.loads(ran.stdout)
        assert found["bench_safe"], ran.stdout
        results: list[dict[str, Any]] = found["results"]
        return results
    finally:
        serving.send_signal(signal.SIGINT)
        said, _ = serving.communicate(timeout=30.0)
        assert "witness: " not in said, said
