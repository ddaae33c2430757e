"""Workers in processes of their own, each with its bench and results folder, on a queue in a real server."""

from __future__ import annotations

import os
import pty
import re
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from sequencer.results.queue.connect import find_queue
from sequencer.results.queue.seen import JobSeen, read_queue
from sequencer.results.store.place import find_place
from tests.support.forked_commands import ROOT, start

Found = TypeVar("Found")
LONGEST_S = 60.0
"""How long something is waited for that must come; how long it takes says nothing."""


def wait_for(look: Callable[[], Found | None], what: str = "") -> Found:
    """Return what ``look`` finds, once it finds something."""
    until_s = time.monotonic() + LONGEST_S
    while time.monotonic() < until_s:
        if found := look():
            return found
        time.sleep(0.03)
    raise AssertionError(f"waited in vain for {what or look}")


def bench_named(folder: Path, name: str, *, shipped: str = "bench.yaml", **replaced: str) -> Path:
    """Write a simulated bench of this name; ``replaced`` are words of the shipped one's file, with what stands in their place."""
    text = (ROOT / "sim" / shipped).read_text(encoding="utf-8")
    text = re.sub(r"^bench: .*$", f"bench: {name}", text, count=1, flags=re.MULTILINE)
    text = text.replace("unit: units", f"unit: {ROOT / 'sim' / 'units'}")
    for before, after in replaced.items():
        assert before in text
        text = text.replace(before, after)
    path = folder / f"{name}.yaml"
    path.write_text(text, encoding="utf-8")
    return path


class WorkerProcess:
    """`sequencer worker` of one bench, under way."""

    def __init__(self, bench: Path, store: str, *words: str) -> None:
        self.folder = bench.with_suffix("")
        ours, theirs = pty.openpty()
        said = ["worker", "--bench", str(bench), "--folder", str(self.folder), "--store", store, *words]
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        self._command = start([*said, "--confirmed"], environment, theirs)
        os.close(theirs)
        self._said = b""
        self._reading = threading.Thread(target=self._read, args=(ours,), daemon=True)
        self._reading.start()

    def _read(self, terminal: int) -> None:
        while True:
            try:
                content = os.read(terminal, 65536)
            except OSError:  # Linux: the other end is closed
                content = b""
            if not content:
                os.close(terminal)
                return
            self._said += content

    @property
    def said(self) -> str:
        """All that it wrote so far."""
        return self._said.decode(errors="replace").replace("\r\n", "\n")

    def send(self, number: signal.Signals) -> None:
        """Send it a signal."""
        os.kill(self._command.number, number)

    def ended(self) -> int:
        """Wait until it has ended, and return its exit status; negative is the signal that ended it."""
        status = self._command.status(within_s=LONGEST_S)
        assert status is not None, f"the worker does not end:\n{self.said}"
        self._reading.join(timeout=10)
        return status

    def has_ended(self) -> bool:
        """Say whether it has ended."""
        return self._command.status(within_s=0.0) is not None

    def kill(self) -> None:
        """End it as a power cut does; nothing where it has ended."""
        if self._command.status(within_s=0.0) is None:
            self.send(signal.SIGCONT)
            self.send(signal.SIGKILL)
            self.ended()


class Looking:
    """Looks at jobs through one connection: what is waited for is asked many times a second."""

    def __init__(self, store: str) -> None:
        self._found = find_queue(find_place(Path(), store))
        self._connection: Any = None

    def state_and_run(self, job: int) -> tuple[str, str]:
        """Return the state of a job and its run; nothing of either while the server is away."""
        import psycopg

        try:
            if self._connection is None:
                self._connection = self._found.connect(autocommit=True)
            row = self._connection.execute("select state, run from job where id = %s", [job]).fetchone()
        except psycopg.OperationalError:
            self.close()
            return "", ""
        return str(row[0]), str(row[1])

    def close(self) -> None:
        """Let go of the connection."""
        if self._connection is not None:
            self._connection.close()
        self._connection = None


def job_seen(store: str, job: int) -> JobSeen:
    """How a job stands."""
    return read_queue(find_place(Path(), store), job=job).jobs[0]
