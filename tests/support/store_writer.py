"""A process that writes to a store, check by check, and says which it knows to be in.

Run by tests: ``python store_writer.py STORE RUN CHECKS RESULTS``: as many checks (0: until it is ended), with as many results each. It
prints a line for each check that has been written, and waits for a line on standard input before the first.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from itertools import count

from sequencer.results.model import Point
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from tests.support.stored_results import RUN, a_result, an_exchange


def main(store_name: str, run: str, checks: int, results: int) -> None:
    """Write."""
    print("ready", flush=True)
    sys.stdin.readline()
    with Store.open(find_place(Path(), store_name)) as store:
        store.write_run(replace(RUN, run=run, serial=f"of {run}"))
        for index in count() if checks == 0 else range(checks):
            found = [
                a_result(
                    run=run,
                    value=float(index * results + number),
                    points=(
                        Point(level_db=1.0, reading=2.0, state="in range", reading_s=0.1, at_s=float(index)),
                    ),
                )
                for number in range(results)
            ]
            store.write_check(run, index, found, [an_exchange(b"%d" % index)])
            print(index, flush=True)
        store.write_end(run, outcome="done", bench_safe=True, bench_s=1.0)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
