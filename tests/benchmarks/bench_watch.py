"""The page to watch with a thousand open pages, and how long each of its pages takes.

Run: ``python tests/benchmarks/bench_watch.py [--pages 1000] [--seconds 20] [--store FILE]``. One process serves, this one holds the
pages open and writes what a bench does, once a second. Told: how long the pages take to open, the seconds from a write to its arrival
at each page, what the server takes of a processor and of memory meanwhile, and how long it takes to end with all pages open. Then each
page is asked for, of a small store or of ``--store``, ten times. Both ends share this machine: what counts is the order of size.
"""

from __future__ import annotations

import argparse
import asyncio
import http.client
import os
import re
import resource
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

sys.path.insert(0, str(Path(__file__).parents[2]))

from sequencer.results.bench_now import Calibrated, Doing, Worked
from sequencer.results.store.bench_now import BenchNowWriter
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from tests.support.stored_results import RUN, a_result, an_exchange

BENCHES = 16
TICKS = os.sysconf("SC_CLK_TCK")


def fill(place: StorePlace) -> None:
    """Put a run of twenty results into a store."""
    with Store.open(place) as store:
        store.write_run(replace(RUN, outcome="done", status=0))
        for number in range(20):
            store.write_check("r1", number, [a_result(quantity=f"quantity {number}")], [an_exchange()])
        store.write_end("r1", outcome="done", bench_safe=True, bench_s=60.0, status=0)


def doing(number: int) -> Doing:
    """Return what a bench does; the number is found again on the page."""
    due = (Calibrated(name="power_meter", due="2099-01-31"),)
    now = datetime.now().astimezone()
    check = f"carrier power, channel {number}"
    return Doing(
        program="line", phase="measuring", told=now, serial="M40-0007", check=check, checks=40, calibrated=due
    )


def worked(number: int) -> Worked:
    """Return one of the benches."""
    return Worked(
        id=f"b{number}", bench=f"Bench {number}", machine="north", process=1, station=f"Line {number}"
    )


class Page:
    """An open page: when it was sent which state."""

    def __init__(self) -> None:
        self.seen: dict[int, float] = {}

    async def open(self, port: int) -> None:
        """Ask for the stream, and wait for the first state."""
        self._reader, self._writer = await asyncio.open_connection("127.0.0.1", port)
        self._writer.write(b"GET /events?topic=benches HTTP/1.1\r\nHost: localhost\r\n\r\n")
        await self._reader.readuntil(b"event: state\n")
        self._task = asyncio.ensure_future(self._read())

    async def _read(self) -> None:
        text = b""
        while chunk := await self._reader.read(65536):
            text = (text + chunk)[-400_000:]
            for found in re.findall(rb"channel (\d+)", text):
                self.seen.setdefault(int(found), time.monotonic())
            text = text[-20:]

    def close(self) -> None:
        """Leave."""
        self._task.cancel()
        self._writer.close()


def usage(process: int) -> tuple[float, float]:
    """Return seconds of processor time and megabytes of memory of a process (proc(5))."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return (int(fields[11]) + int(fields[12])) / TICKS, pages * resource.getpagesize() / 1e6


async def watched(port: int, process: int, place: StorePlace, count: int, seconds: int) -> None:
    """Hold the pages open while a bench says something every second, and tell what came of it."""
    began = time.monotonic()
    pages = [Page() for _ in range(count)]
    for start in range(0, count, 50):
        await asyncio.gather(*(one.open(port) for one in pages[start : start + 50]))
    print(
        f"{count} pages open after {time.monotonic() - began:.1f} s; the server holds {usage(process)[1]:.0f} MB"
    )
    writer = BenchNowWriter(place)
    written: dict[int, float] = {}
    before, _ = usage(process)
    began = time.monotonic()
    for number in range(1000, 1000 + seconds):
        await asyncio.to_thread(writer.write, worked(0), doing(number))
        written[number] = time.monotonic()
        await asyncio.sleep(1.0)
    after, memory = usage(process)
    took = time.monotonic() - began
    late = [one.seen[number] - at for one in pages for number, at in written.items() if number in one.seen]
    lost = count * len(written) - len(late)
    late.sort()
    print(
        f"{len(written)} states to each: {len(late)} arrived, {lost} overtaken or lost; from write to page median "
        f"{1000 * statistics.median(late):.0f} ms, 99 in 100 within {1000 * late[int(0.99 * len(late))]:.0f} ms, "
        f"worst {1000 * late[-1]:.0f} ms"
    )
    print(f"the server took {100 * (after - before) / took:.0f} % of a processor and {memory:.0f} MB")
    last = max(written)
    print(f"pages that show the last state: {sum(last in one.seen for one in pages)} of {count}")
    writer.close()
    began = time.monotonic()
    os.kill(process, signal.SIGTERM)
    while Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z":
        await asyncio.sleep(0.01)
    print(f"asked to end with {count} pages open, it ended after {time.monotonic() - began:.2f} s")
    for one in pages:
        one.close()


def serve(place: StorePlace) -> tuple[subprocess.Popen[str], int]:
    """Serve a store's page in a process of its own."""
    words = [sys.executable, "-m", "sequencer", "watch", "--port", "0", "--store", str(place)]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert process.stdout is not None
    return process, int(process.stdout.readline().rpartition(":")[2].strip("/\n"))


def page_times(port: int, place: StorePlace) -> None:
    """Ask for each page ten times, and tell the median."""
    with Store.open_to_watch(place) as store:
        serial = store.find_units("", limit=1)[0].serial
        other = store.find_units("", limit=2)[-1].serial
        batch = next((one.batch for one in store.read_batches()), "")
    paths = [
        "/",
        "/runs",
        "/runs?limit=200",
        "/runs?check=sensitivity",
        "/run?run=last",
        "/trace?run=last",
        "/units",
    ]
    paths += [
        f"/unit?serial={quote(serial)}",
        f"/compare?name={quote(serial)}&name={quote(other)}&all=yes",
        "/batches",
        "/queue",
    ]
    paths += [f"/batch?batch={quote(batch)}"] if batch else []
    for path in paths if serial != other else [one for one in paths if "compare" not in one]:
        took = []
        for _ in range(10):
            began = time.monotonic()
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
            connection.request("GET", path)
            answer = connection.getresponse()
            size = len(answer.read())
            connection.close()
            took.append(time.monotonic() - began)
            # 400: of units with very many runs none are compared
            assert answer.status in (200, 400), (path, answer.status)
        figures = f"first {1000 * took[0]:6.0f} ms, median {1000 * statistics.median(took):6.0f} ms, {size / 1000:.0f} kB"
        print(f"{path:50} status {answer.status}, {figures}")


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--pages", type=int, default=1000)
    parser.add_argument("--seconds", type=int, default=20)
    parser.add_argument("--store", default="")
    given = parser.parse_args()
    most = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(most, 8192), most))
    with tempfile.TemporaryDirectory() as folder:
        place = StorePlace(path=Path(folder) / "results.sqlite")
        fill(place)
        for number in range(BENCHES):
            writer = BenchNowWriter(place)
            writer.begin(worked(number), doing(number))
            writer.close()
        process, port = serve(place)
        asyncio.run(watched(port, process.pid, place, given.pages, given.seconds))
        process.wait()
        asked = StorePlace(path=Path(given.store)) if given.store else place
        process, port = serve(asked)
        try:
            page_times(port, asked)
        finally:
            process.terminate()
            process.wait()


if __name__ == "__main__":
    main()
