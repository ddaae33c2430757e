"""Kills runs of the acceptance sequence with SIGKILL, carries each on with `resume`, and counts what that cost.

In the simulated world (bookkeeping): at every line of the journal, just before and just after it stands there, and at random times;
of those at random times every other one is killed a second time while it is carried on. Over a served simulated bench (safety): real
processes, in real time, at random times.

Run: python -m tests.benchmarks.crash_table [--random 1000] [--served 20] [--seed 1]; a slice of the random ones, with another seed each:
``--no-lines --served 0 --random 1000 --minutes 10 --seed 2``. Folders stand where TMPDIR says (/dev/shm is quickest).
"""

from __future__ import annotations

import argparse
import gc
import math
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.support.crashed import Left, call, finished_in, killed, left_in, lines_of
from tests.support.fault_runs import state_folder
from tests.support.served_bench import SAFE, SEQUENCER, SERIAL, serve

RUN = ("run", "fm-mobile-acceptance", "--bench", "bench", *SERIAL, "--confirmed")
SHORT = """\
sequence: Served
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 1, limit: {max: 4 W}}
  - {check: carrier_power, channel: 40, limit: {max: 4 W}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: sinad, channel: 20, level: -100 dBm}
"""


@dataclass
class Count:
    """What came of the runs of one kind."""

    runs: int = 0
    lost: int = 0
    halved: int = 0
    doubled: int = 0
    other_decisions: int = 0
    not_carried_on: int = 0
    torn: int = 0
    unbegun: int = 0
    """Killed within the journal's first line: nothing had been asked of an instrument, and `resume` says so."""
    not_safe: int = 0
    said: list[str] = field(default_factory=list)

    def take(self, folder: Path, finished: set[tuple[Any, ...]], whole: Left, status: int) -> None:
        """Count what stands in a folder after the last `resume`."""
        self.runs += 1
        left = left_in(folder)
        before = len(self.said)
        measured = Counter(row[:4] for row in left.measured)
        wanted = Counter(row[:4] for row in whole.measured)
        in_table = Counter(row for row in left.table if row[0] != "confirm")
        for row in finished:
            if row[1] != "confirm" and (row not in left.store or row[1:] not in left.table):
                self.lost += 1
                self.said.append(f"{folder.name}: lost {row}")
        for row in wanted | measured:
            if measured[row] < wanted[row]:
                self.halved += 1
                self.said.append(f"{folder.name}: missing {row}")
            if measured[row] > wanted[row] or in_table[row[1:]] > Counter(whole.table)[row[1:]] > 0:
                self.doubled += 1
                self.said.append(f"{folder.name}: doubled {row}")
        if left.measured != whole.measured and len(self.said) == before:
            self.other_decisions += 1
            self.said.append(f"{folder.name}: other decisions {set(left.measured) ^ set(whole.measured)}")
        if status or left.outcome != "done":
            self.not_carried_on += 1
            said = (folder / "said").read_text(encoding="utf-8") if (folder / "said").exists() else ""
            self.said.append(f"{folder.name}: status {status}, outcome {left.outcome!r}: {said[:300]}")

    def __str__(self) -> str:
        return (
            f"{self.runs:5} killed, {self.torn:4} with a line cut short, {self.unbegun} in the first; "
            f"results lost {self.lost}, missing {self.halved}, "
            f"doubled {self.doubled}; other decisions {self.other_decisions}; not carried on {self.not_carried_on}; "
            f"benches not safe {self.not_safe}"
        )


def carried_on(folder: Path) -> int:
    """Carry a run on in a child, so that nothing of it stays here; return its exit status."""
    child = os.fork()
    if child == 0:
        done = call("resume", "--confirmed", "--folder", str(folder))
        (folder / "said").write_text(done.output + str(done.exception or ""), encoding="utf-8")
        os._exit(done.exit_code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def killed_after(words: tuple[str, ...], seconds: float) -> bool:
    """Run a command in a child that is killed after a time; return whether it still ran.

    The time is the processor's, so that on a busy machine the kills are as late in the run as on a quiet one.
    """
    child = os.fork()
    if child == 0:
        nothing = os.open(os.devnull, os.O_RDWR)
        os.dup2(nothing, 1)
        os.dup2(nothing, 2)
        call(*words)
        os._exit(0)
    clock = (~child << 3) | 2  # Linux, include/linux/posix-timers.h: CPUCLOCK_SCHED of a process
    while not _has_ended(child) and time.clock_gettime(clock) < seconds:
        time.sleep(0.0005)
    os.kill(child, signal.SIGKILL)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


def _has_ended(child: int) -> bool:
    return os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


def at_every_line(top: Path, whole: Left, lines: int) -> Count:
    """Kill a run before and after each line of its journal."""
    count = Count()
    for at in range(lines):
        for before in (True, False):
            if at == 0 and before:
                continue  # nothing stands there yet, and nothing is to be carried on
            folder = top / f"line-{at}-{'before' if before else 'after'}"
            killed((*RUN, "--folder", str(folder)), lambda number, at=at: number == at, before=before)
            count.take(folder, finished_in(folder), whole, carried_on(folder))
            shutil.rmtree(folder)
    return count


def at_random_times(
    top: Path, whole: Left, number: int, lasts_s: float, dice: random.Random, *, until_s: float = math.inf
) -> Count:
    """Kill runs at random times, every other one again while it is carried on; as many as fit until ``until_s``."""
    count = Count()
    while count.runs < number and time.monotonic() < until_s:
        folder = top / f"random-{count.runs}"
        shutil.rmtree(folder, ignore_errors=True)
        if not killed_after((*RUN, "--folder", str(folder)), dice.uniform(0.0, lasts_s)):
            continue  # it had ended
        if not list(folder.glob("*.journal")):
            continue  # nothing had begun
        if not any(b"\n" in one.read_bytes() for one in folder.glob("*.journal")):
            count.runs += 1
            count.unbegun += 1
            said = carried_on(folder), (folder / "said").read_text(encoding="utf-8")
            if said[0] != 2 or "nothing was measured yet" not in " ".join(said[1].split()):
                count.said.append(
                    f"{folder.name}: killed in the first line, status {said[0]}: {said[1][:300]}"
                )
            shutil.rmtree(folder)
            continue
        try:
            lines_of(folder)
        except ValueError:
            count.torn += 1
        finished = finished_in(folder)
        if count.runs % 2:
            killed_after(("resume", "--confirmed", "--folder", str(folder)), dice.uniform(0.0, lasts_s))
            finished |= finished_in(folder)
        count.take(folder, finished, whole, carried_on(folder))
        shutil.rmtree(folder)
    return count


def over_sockets(top: Path, number: int, dice: random.Random) -> Count:
    """Kill real processes on a bench that another process serves, in real time; after each `resume` the bench is asked itself."""
    count = Count()
    (top / "short.yaml").write_text(SHORT, encoding="utf-8")
    served = serve(top)
    run = (*SEQUENCER, "run", str(top / "short.yaml"), "--bench", str(served.bench), *SERIAL)
    quiet = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "cwd": top}
    try:
        began_s = time.monotonic()
        subprocess.run((*run, "--folder", str(top / "served")), check=True, timeout=120, **quiet)  # type: ignore[call-overload]
        lasts_s = time.monotonic() - began_s
        whole = left_in(top / "served")
        while count.runs < number:
            folder = top / f"served-{count.runs}"
            shutil.rmtree(folder, ignore_errors=True)
            process: Any = subprocess.Popen((*run, "--folder", str(folder)), **quiet)  # type: ignore[call-overload]
            time.sleep(dice.uniform(0.0, lasts_s))
            process.kill()
            process.communicate(timeout=20)
            if process.returncode != -signal.SIGKILL or not list(folder.glob("*.journal")):
                continue
            finished = finished_in(folder)
            done = subprocess.run(
                (*SEQUENCER, "resume", "--confirmed", "--folder", str(folder)),
                timeout=120,
                check=False,
                **quiet,  # type: ignore[call-overload]
            )
            if not served.is_safe() or SAFE not in done.stderr:
                count.not_safe += 1
                count.said.append(f"{folder.name}: {done.stderr[-300:]}")
            count.take(folder, finished, whole, done.returncode)
    finally:
        hazards = served.end()
    if hazards.strip():
        count.said.append(f"witness: {hazards.strip()}")
    return count


def main() -> int:
    """Make the table."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--random", type=int, default=1000)
    asked.add_argument("--served", type=int, default=20)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument(
        "--minutes", type=float, default=math.inf, help="begin no more random ones after so long"
    )
    asked.add_argument("--no-lines", action="store_true")
    given = asked.parse_args()
    dice = random.Random(given.seed)
    state_folder()
    with tempfile.TemporaryDirectory(prefix="crash-table-") as made:
        top = Path(made)
        call(*RUN, "--folder", str(top / "first"))  # and all is imported
        carried_on_here = top / "first-again"
        killed((*RUN, "--folder", str(carried_on_here)), lambda number: number == 9)
        call("resume", "--confirmed", "--folder", str(carried_on_here))
        gc.collect()
        gc.freeze()  # what stands in memory by now is no child's to go through
        began_s, before_s = time.monotonic(), os.times().children_user + os.times().children_system
        killed((*RUN, "--folder", str(top / "whole")), lambda number: False)
        lasts_s = os.times().children_user + os.times().children_system - before_s
        whole, lines = left_in(top / "whole"), len(lines_of(top / "whole"))
        counts = {}
        if not given.no_lines:
            counts[f"at each of {lines} lines"] = at_every_line(top, whole, lines)
            print(counts[f"at each of {lines} lines"], flush=True)
        until_s = began_s + 60.0 * given.minutes
        counts["at random times"] = at_random_times(top, whole, given.random, lasts_s, dice, until_s=until_s)
        print(counts["at random times"], flush=True)
        if given.served:
            counts["over sockets"] = over_sockets(top, given.served, dice)
    wrong = 0
    for name, count in counts.items():
        print(f"{name:24} {count}")
        print("\n".join(f"    {one}" for one in count.said[:20]))
        wrong += len(count.said)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
