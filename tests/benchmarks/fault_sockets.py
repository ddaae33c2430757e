"""Faults at single messages over real connections on the loopback: SOCKET, HiSLIP and VXI-11, each kind, once.

Run: python -m tests.benchmarks.fault_sockets [--every 40] [--protocol hislip]

``--stays`` lets each instrument go wrong for good from one of its messages on, lets that go, and carries the run on by `sequencer resume`.

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

FOR_GOOD = ("time-out", "garbage", "lost", "error entry")
ROLES = (
    "radio",
    "switch",
    "supply",
    "signal_generator",
    "power_meter",
    "modulation_analyser",
    "audio_analyser",
)


def for_good(over: OverSockets, protocol: str) -> int:
    """Let each instrument go wrong for good at an early message and at a later one; return how many runs were wrong."""
    counts, bad = Counter[str](), 0
    for place, (role, number) in enumerate((role, number) for number in (4, 12) for role in ROLES):
        kind = FOR_GOOD[place % len(FOR_GOOD)]
        fault, argument = KINDS[kind]
        ran, after = over.run_for_good(role, Fault(kind=fault, argument=argument, skip=number))
        came, complaints = over.came_to(ran)
        counts[came] += 1
        if complaints or after:
            bad += 1
            print(
                f"WRONG: {protocol}, {kind} of the {role} from message {number} on: {complaints} {after}",
                flush=True,
            )
    print(
        f"{protocol}, for good and carried on: {counts.total()} runs: {dict(counts)}; {bad} wrong", flush=True
    )
    return bad


def main() -> int:
    """Print what each run came to that is wrong, and the counts; return 1 if one is wrong."""
    options = argparse.ArgumentParser()
    options.add_argument("--every", type=int, default=40)
    options.add_argument("--protocol", choices=list(PROTOCOLS), action="append")
    options.add_argument("--stays", action="store_true")
    chosen = options.parse_args()
    state_folder()
    bad = 0
    with tempfile.TemporaryDirectory() as folder:
        for protocol in chosen.protocol or PROTOCOLS:
            over = OverSockets(Path(folder), protocol)
            if chosen.stays:
                bad += for_good(over, protocol)
                continue
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
