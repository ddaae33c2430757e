"""The key-down watchdog: what it costs a run, and how soon it acts. Beside the figures what they are held against.

Run on a quiet machine: python tests/benchmarks/bench_watchdog.py
"""

from __future__ import annotations

import socket
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from sequencer.safety.watchdog.client import GRACE_S, Watchdog
from sequencer.safety.watchdog.ways import Way

ROUNDS = 15
PROGRAM = """
import sys, time
sys.path.insert(0, {top!r})
from sequencer.safety.watchdog.client import Watchdog
from sequencer.safety.watchdog.ways import Way
watchdog = Watchdog([Way(role="radio", name="radio", address={address!r}, line="socket", shared=True, wait_s=1.0, off="KEY 0", ask="KEY?")])
watchdog.start()
watchdog.await_ready()
watchdog.arm({within_s})
print("keyed", flush=True)
time.sleep(60)
"""


class Radio:
    """Answers every question with 0, and notes when it was told anything first."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP0::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"
        self.told = threading.Event()
        self.at_s = 0.0
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            link, _ = self._server.accept()
            with link, link.makefile("rb") as lines:
                for line in lines:
                    if not self.told.is_set():
                        self.at_s = time.perf_counter()
                        self.told.set()
                    if b"?" in line:
                        link.sendall(b"0\n")


def _released_s(*, killed: bool) -> float:
    """Return how long after `kill -9`, or after its time, a stopped program's radio was told."""
    radio, within_s = Radio(), 60.0 if killed else 0.2
    code = PROGRAM.format(top=str(Path(__file__).parents[2]), address=radio.address, within_s=within_s)
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as program:
        assert program.stdout is not None
        program.stdout.readline()
        began_s = time.perf_counter()
        if killed:
            program.kill()
        radio.told.wait(30)
        took_s = radio.at_s - began_s - (0.0 if killed else within_s)
        program.kill()
    return took_s


def main() -> None:
    """Print medians and the longest."""
    way = Way(
        role="radio",
        name="radio",
        address=Radio().address,
        line="socket",
        shared=True,
        wait_s=1.0,
        off="KEY 0",
        ask="KEY?",
    )
    started_s, ready_s, armed_s, asked_s = [], [], [], []
    for _ in range(ROUNDS):
        watchdog, began_s = Watchdog([way]), time.perf_counter()
        watchdog.start()
        started_s.append(time.perf_counter() - began_s)
        watchdog.await_ready()
        ready_s.append(time.perf_counter() - began_s)
        for _ in range(100):
            began_s = time.perf_counter()
            watchdog.arm(60.0)
            armed_s.append(time.perf_counter() - began_s)
            watchdog.disarm()
            began_s = time.perf_counter()
            watchdog.problem()
            asked_s.append(time.perf_counter() - began_s)
        watchdog.close()
    rows = {
        "start: what a run waits for (at most 50 ms)": started_s,
        "until its process is ready (meanwhile the bench opens)": ready_s,
        "each press": armed_s,
        "each look whether it has acted": asked_s,
        "kill -9 until the radio was told": [_released_s(killed=True) for _ in range(ROUNDS)],
        f"after max_key_time until the radio was told ({GRACE_S:g} s are meant)": [
            _released_s(killed=False) for _ in range(ROUNDS)
        ],
    }
    for name, took_s in rows.items():
        print(f"{name}: median {1e3 * statistics.median(took_s):.3f} ms, longest {1e3 * max(took_s):.3f} ms")


if __name__ == "__main__":
    main()
