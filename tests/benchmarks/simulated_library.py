"""Print the round trips per second of the live simulated library, against bare pyvisa-sim in the same run.

Run from the project's folder: ``python tests/benchmarks/simulated_library.py``. Medians of five rounds,
interleaved.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pyvisa

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sim.clock import VirtualClock, WallClock
from sim.scpi.device import Later, Number, ScpiDevice, command, setting
from sim.serve.network import serve
from sim.serve.visa import make_library

_NAME = "TCPIP::192.0.2.1::INSTR"
_ROUNDS, _QUERIES = 5, 2000
_BARE = """
spec: "1.1"
devices:
  one:
    eom:
      TCPIP INSTR: {q: "\\n", r: "\\n"}
    error: ERROR
    dialogues:
      - {q: "FREQ?", r: "1.000000000E+08"}
resources:
  TCPIP::192.0.2.1::INSTR: {device: one}
"""


class _Generator(ScpiDevice):
    frequency_hz = setting(
        "[:SOURce]:FREQuency[:CW|:FIXed]", Number("Hz", minimum=1e5, maximum=1e9, default=1e8)
    )

    @command(":READ?")
    def read(self) -> Later:
        return Later(0.02, 1.5)


def _open(manager: pyvisa.ResourceManager, name: str) -> pyvisa.resources.MessageBasedResource:
    return manager.open_resource(name, read_termination="\n", write_termination="\n", timeout=1000)  # type: ignore[return-value]


def _per_second(action: Callable[[], object]) -> float:
    start_s = time.perf_counter()
    for _ in range(_QUERIES):
        action()
    return _QUERIES / (time.perf_counter() - start_s)


def main() -> None:
    """Measure and print."""
    clock = VirtualClock()
    manager = pyvisa.ResourceManager(make_library({_NAME: _Generator(clock)}, clock))
    live = _open(manager, _NAME)
    with tempfile.TemporaryDirectory() as folder, serve({"one": _Generator(WallClock())}) as addresses:
        path = Path(folder) / "bare.yaml"
        path.write_text(_BARE)
        bare_manager = pyvisa.ResourceManager(f"{path}@sim")
        bare = _open(bare_manager, _NAME)
        wire_manager = pyvisa.ResourceManager("@py")
        wire = _open(wire_manager, addresses["one"])
        paths: dict[str, Callable[[], object]] = {
            "bare pyvisa-sim, FREQ?": lambda: bare.query("FREQ?"),
            "live, FREQ?": lambda: live.query("FREQ?"),
            "live, FREQ 1E8;FREQ?": lambda: live.query("FREQ 1E8;FREQ?"),
            "live, READ? (20 ms of virtual time)": lambda: live.query("READ?"),
            "live, write only": lambda: live.write("FREQ 1E8"),
            "pyvisa-py over a socket, FREQ?": lambda: wire.query("FREQ?"),
        }
        rounds: dict[str, list[float]] = {name: [] for name in paths}
        for _ in range(_ROUNDS):
            for name, action in paths.items():
                rounds[name].append(_per_second(action))
        base = statistics.median(rounds["bare pyvisa-sim, FREQ?"])
        for name, rates in rounds.items():
            rate = statistics.median(rates)
            print(f"{name:40} {rate:10,.0f} per s   {rate / base:5.2f} times bare pyvisa-sim")
        wire.close()
        for each in (wire_manager, bare_manager, manager):
            each.close()


if __name__ == "__main__":
    main()
