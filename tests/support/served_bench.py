"""A simulated bench that another process serves, and runs on it in processes of their own."""

from __future__ import annotations

import csv
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from sequencer.results.store.store import Store
from sequencer.results.stored import StoredResult, StoredRun
from sequencer.run.record import STORE_NAME

ROOT = Path(__file__).parents[2]
SEQUENCER = (sys.executable, "-m", "sequencer")
SERIAL = ("--serial", "M40-0007")
SAFE = "The bench is safe: PTT released, generator off, supply off, each read back."


def wait_until(condition: Callable[[], bool], what: str, seconds: float = 20.0) -> None:
    """Wait until other processes have come so far."""
    end_s = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end_s, f"in {seconds} s it did not come to this: {what}"
        time.sleep(0.01)


@dataclass
class Served:
    """A simulated bench that another process serves, as a plain socket client sees it."""

    process: subprocess.Popen[str]
    bench: Path
    addresses: dict[str, tuple[str, int]] = field(default_factory=dict)

    def ask(self, instrument: str, question: str) -> str:
        """Ask one question over a connection of its own."""
        with socket.create_connection(self.addresses[instrument], timeout=5.0) as link:
            link.sendall(question.encode() + b"\n")
            return link.makefile("rb").readline().decode().strip()

    @property
    def keyed(self) -> bool:
        """Whether the push-to-talk line is closed."""
        return self.ask("radio", ":CONTrol:KEY:STATe?") == "1"

    @property
    def generator_on(self) -> bool:
        """Whether the generator's output is on."""
        return self.ask("signal_generator", ":OUTPut:STATe?") == "1"

    def is_safe(self) -> bool:
        """Whether nothing is keyed and nothing is on."""
        return not self.keyed and not self.generator_on and self.ask("supply", ":OUTPut:STATe?") == "0"

    def end(self) -> str:
        """End the server; return what its witness saw."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        _, errors = self.process.communicate(timeout=10)
        return errors


def serve(folder: Path, timeout: str = "2 s", max_key_time: str = "90 s", key_duty: str = "50 %") -> Served:
    """Serve the shipped bench from ``folder``, with other times."""
    content = yaml.safe_load((ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8"))
    content["unit"] = str(ROOT / "sim" / "units")
    for entry in content["instruments"].values():
        entry["timeout"] = timeout
    content["protection"] |= {"max_key_time": max_key_time, "key_duty": key_duty}
    source, written = folder / "served.yaml", folder / "reached.yaml"
    source.write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
    process = subprocess.Popen(
        [*SEQUENCER, "simulate", "--bench", source, "--serial", "M40-0007", "--write-bench", written],
        cwd=ROOT,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    line = ""
    while "Ctrl-C ends it" not in line:
        line = process.stdout.readline()
        assert line, process.communicate()[1]
    served = Served(process, written)
    for name, entry in yaml.safe_load(written.read_text(encoding="utf-8"))["instruments"].items():
        found = re.fullmatch(r"TCPIP0::(.+)::(\d+)::SOCKET", entry["address"])
        assert found is not None
        served.addresses[name] = (found[1], int(found[2]))
    return served


@dataclass
class Client:
    """A `sequencer run` in a process of its own."""

    process: subprocess.Popen[str]
    folder: Path

    def rows(self) -> list[dict[str, str]]:
        """Return the rows of its results table."""
        tables = list(self.folder.glob("*.csv"))
        if not tables:
            return []
        with tables[0].open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    def stored(self) -> tuple[StoredRun, list[StoredResult]]:
        """Return its run and its results from the store."""
        with Store.open(self.folder / STORE_NAME) as store:
            run = store.read_runs()[0]
            return run, store.read_results(run.run)

    def watchdog(self) -> int:
        """Return the process of its key-down watchdog, the only one that it starts (proc(5), from memory)."""
        (pid,) = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text("ascii").split()
        return int(pid)

    def end(self, seconds: float = 20.0) -> tuple[int, str, str]:
        """Wait for its end; return status, output and the last line of its errors."""
        output, errors = self.process.communicate(timeout=seconds)
        assert "Traceback" not in errors
        return self.process.returncode, output + errors, errors.strip().splitlines()[-1]


def start_run(
    folder: Path, bench: Path, *options: str, environment: Mapping[str, str] | None = None
) -> Client:
    """Start a run of ``sequence.yaml`` in ``folder``, in a process of its own; its results go to a folder beside it."""
    results = folder / f"results{len(list(folder.glob('results*')))}"
    results.mkdir()
    command = [*SEQUENCER, "run", folder / "sequence.yaml", "--bench", bench, *SERIAL, "--folder", results]
    process = subprocess.Popen(
        [*command, *options],
        cwd=ROOT,
        text=True,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
    )
    return Client(process, results)
