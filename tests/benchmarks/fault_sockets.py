"""Faults at single messages over real connections on the loopback: SOCKET, HiSLIP and VXI-11, each kind, once.

Run: python -m tests.benchmarks.fault_sockets [--every 40] [--protocol hislip]

About ten seconds a run: a bench on real connections waits by the computer's clock.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

from sim.scpi.faults import Fault
from tests.support.fault_runs import state_folder
from tests.support.fault_sockets import KINDS, PROTOCOLS, OverSockets


def main() -> int:
    """Print what each run came to that is wrong, and the counts; return 1 if one is wrong."""
    options = argparse.ArgumentParser()
    options.add_argument("--every", type=int, default=40)
    options.add_argument("--protocol", choices=list(PROTOCOLS), action="append")
    chosen = options.parse_args()
    state_folder()
    bad = 0
    with tempfile.TemporaryDirectory() as folder:
        for protocol in chosen.protocol or PROTOCOLS:
            over = OverSockets(Path(folder), protocol)
            messages, counts = over.messages, Counter[str]()
            for turn, number in enumerate(range(1, messages, chosen.every)):
                for place, (kind, (fault, argument)) in enumerate(KINDS.items()):
                    if place % 3 != turn % 3:
                        continue
                    ran = over.run(Fault(kind=fault, argument=argument, skip=number))
                    came, complaints = over.came_to(ran)
                    counts[came] += 1
                    if complaints:
                        bad += 1
                        print(f"WRONG: {protocol}, {kind} at message {number}: {complaints}", flush=True)
                    elif came == "check not measured":
                        print(
                            f"{protocol}, {kind} at message {number}: {came}: {ran.outcome.problems}",
                            flush=True,
                        )
            print(f"{protocol}: {messages} messages, {counts.total()} runs: {dict(counts)}", flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
