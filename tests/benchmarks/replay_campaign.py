"""Short runs that end at many positions in many ways, are carried on where something is left, and are gone through again.

    python -m tests.benchmarks.replay_campaign --every 61 --kinds refused time-out garbage closed-idle
    python -m tests.benchmarks.replay_campaign --every 61 --kinds stop-in stop-between

``stop-in`` is Ctrl-C within a message, ``stop-between`` at a wait between two. Each run is replayed as it ended and, carried on to its
end by the command, once more; a line for each kind counts them, one for each that is not as it was says what.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.support.ended_runs import Disturb, EndedRun, fault_at, stopped_at, wrong_with
from tests.support.fault_runs import SHM, state_folder
from tests.support.wire_faults import KINDS

STOPS = ("stop-in", "stop-between")


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the runs; return 1 if one is not gone through as it was."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--every", type=int, default=61)
    options.add_argument("--first", type=int, default=1)
    options.add_argument("--kinds", nargs="+", choices=[*KINDS, *STOPS], default=["refused", *STOPS])
    options.add_argument("--minutes", type=float, default=0.0)
    chosen = options.parse_args(arguments)
    state_folder()
    began_s, counts = time.perf_counter(), Counter[str]()
    whole = _run(stopped_at())
    for kind in chosen.kinds:
        last = whole.moment.waits if kind == "stop-between" else whole.moment.operations
        for number in range(
            chosen.first, last + 1, chosen.every if kind != "stop-between" else max(1, chosen.every // 20)
        ):
            if chosen.minutes and time.perf_counter() - began_s > 60.0 * chosen.minutes:
                break
            for what, wrong in _replays(kind, number):
                counts[f"{kind}, {what}"] += 1
                if wrong:
                    counts["WRONG"] += 1
                    print(f"WRONG: {kind} at {number}, {what}: {wrong}", flush=True)
    for name, count in sorted(counts.items()):
        print(f"{name}: {count}")
    print(f"{counts['WRONG']} wrong; {time.perf_counter() - began_s:.0f} s")
    return 1 if counts["WRONG"] else 0


def _run(disturb: Disturb) -> EndedRun:
    with tempfile.TemporaryDirectory(dir=SHM if SHM.is_dir() else None) as folder:
        return EndedRun(Path(folder), disturb)


def _disturb(kind: str, number: int) -> Disturb:
    if kind == "stop-in":
        return stopped_at(operation=number)
    return stopped_at(wait=number) if kind == "stop-between" else fault_at(kind, number)


def _replays(kind: str, number: int) -> Iterator[tuple[str, str]]:
    """Yield of one run what was replayed, and what of it was not as it was."""
    with tempfile.TemporaryDirectory(dir=SHM if SHM.is_dir() else None) as folder:
        run = EndedRun(Path(folder), _disturb(kind, number))
        yield "as it ended", wrong_with(run.results)
        if run.is_left:
            status = run.resume()
            yield "carried on", wrong_with(run.results) or ("" if status == 0 else f"resume: status {status}")


if __name__ == "__main__":
    sys.exit(main())
