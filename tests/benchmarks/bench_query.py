"""What our query costs over pyvisa's own, on the same session kind, in the same run, interleaved.

Run: ``python tests/benchmarks/bench_query.py``. Prints the median time of a query on each road and the ratio
of ours to pyvisa's; the aim is at most 1.3 on simulated libraries and 1.15 on sockets. The socket's server is
a process of its own, as an instrument is. The numbers of one machine mean nothing; the ratios do.
"""

from __future__ import annotations

import socketserver
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import pyvisa

from drivers.clock import RealClock
from drivers.link.link import Link
from drivers.link.visa import Library, open_library
from drivers.trace import Exchange

ROUNDS = 61
QUERIES = 200
SIM_ADDRESS = "TCPIP0::192.0.2.11::inst0::INSTR"
CANNED = f"""
spec: "1.1"
devices:
  meter:
    eom: {{TCPIP INSTR: {{q: "\\n", r: "\\n"}}}}
    error: ERROR
    dialogues: [{{q: "*IDN?", r: "Invented,Canned,2,1.0"}}, {{q: "READ?", r: "+1.2345678E+01"}}]
resources: {{"{SIM_ADDRESS}": {{device: meter}}}}
"""


class Answering(socketserver.StreamRequestHandler):
    """Answers every line; a handler small enough to be no part of the ratio."""

    disable_nagle_algorithm = True

    def handle(self) -> None:
        """Answer until the client leaves."""
        for line in self.rfile:
            self.wfile.write(b"Invented,Served,4,1.0\n" if line == b"*IDN?\n" else b"+1.2345678E+01\n")


class Server(socketserver.ThreadingTCPServer):
    """The instrument's side."""

    request_queue_size = 64
    daemon_threads = True


def serve() -> None:
    """Be the instrument: say the port, answer until standard input ends."""
    import threading

    with Server(("127.0.0.1", 0), Answering) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        print(server.server_address[1], flush=True)
        sys.stdin.read()
        server.shutdown()


def time_us(query: Callable[[str], str]) -> float:
    """Return the microseconds that one query takes, from a batch."""
    start = time.perf_counter()
    for _ in range(QUERIES):
        query("READ?")
    return (time.perf_counter() - start) / QUERIES * 1e6


def compare(title: str, library: Library, address: str, aim: float) -> None:
    """Print pyvisa's query, ours, and ours with a trace, interleaved batch by batch."""
    manager = pyvisa.ResourceManager(library.visa)
    bare = manager.open_resource(address, read_termination="\n", write_termination="\n")
    ours = Link(library, name="meter", address=address, clock=RealClock())
    kept: list[Exchange] = []
    traced = Link(library, name="meter", address=address, clock=RealClock(), trace=kept.append)
    ours.open()
    traced.open()
    roads = [bare.query, ours.query, traced.query]  # type: ignore[attr-defined]
    times: list[list[float]] = [[] for _ in roads]
    for road in roads:
        time_us(road)
    for turn in range(ROUNDS):
        kept.clear()
        for index in range(len(roads)):
            which = (index + turn) % len(roads)
            times[which].append(time_us(roads[which]))
    bare_us, ours_us, traced_us = (statistics.median(each) for each in times)
    print(
        f"{title:32} pyvisa {bare_us:7.2f} us   ours {ours_us:7.2f} us   ratio {ours_us / bare_us:5.2f}"
        f" (aim {aim})   traced {traced_us:7.2f} us, {traced_us / bare_us:5.2f}"
    )
    bare.close()
    ours.close()
    traced.close()


def main() -> None:
    """Compare on a real socket, on plain pyvisa-sim, and on the simulated bench's library."""
    with subprocess.Popen(
        [sys.executable, __file__, "serve"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as server:
        assert server.stdout is not None
        port = int(server.stdout.readline())
        with open_library("py") as library:
            compare("pyvisa-py SOCKET, other process", library, f"TCPIP0::127.0.0.1::{port}::SOCKET", 1.15)
        assert server.stdin is not None
        server.stdin.close()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "canned.yaml")
        path.write_text(CANNED)
        with open_library(f"{path}@sim") as library:
            compare("pyvisa-sim, canned dialogues", library, SIM_ADDRESS, 1.3)
    compare_live()


def compare_live() -> None:
    """Compare on live simulated instruments."""
    from sim.clock import VirtualClock
    from sim.scpi.device import Number, ScpiDevice, command, setting
    from sim.serve.visa import make_library

    class Meter(ScpiDevice):
        identity = ("Invented", "Live", "3", "1.0")
        frequency_hz = setting(":FREQuency", Number("Hz", minimum=1e3, maximum=1e9, default=1e6))

        @command(":READ?")
        def read(self) -> float:
            return 12.345678

    clock = VirtualClock()
    with open_library(make_library({SIM_ADDRESS: Meter(clock)}, clock)) as library:
        compare("simulated bench, live instrument", library, SIM_ADDRESS, 1.3)


if __name__ == "__main__":
    serve() if sys.argv[1:] == ["serve"] else main()
