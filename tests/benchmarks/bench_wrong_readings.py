"""Wrong readings at every place of every check, also of those that read as another does: which are stated all the same?

The tests of the ordinary run leave out every second place of what reads alike (`tests/support/wrong_places.py`, READ_AS).
Run: python tests/benchmarks/bench_wrong_readings.py [--only NAME]
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.support.senseless import PAIRS, PLAUSIBLE, Broken, kinds_of
from tests.support.wrong_places import READ_AS, places_of, places_of_one


def main() -> int:
    """Print what is stated wrongly, and a line for each case; return 1 if anything is."""
    options = argparse.ArgumentParser()
    options.add_argument("--only", choices=READ_AS, action="append")
    chosen = options.parse_args()
    faults, wrong, began_s = 0, 0, time.perf_counter()
    for name, role in PAIRS:
        if name not in (chosen.only or READ_AS):
            continue
        with tempfile.TemporaryDirectory() as folder:
            broken = Broken(Path(folder), name, role)
            count, found, here = broken.sound.readings, [], 0
            for kind in kinds_of(role):
                for first, times in places_of(name, count, whole=True):
                    here += 1
                    found += [
                        (kind, first, one) for one in broken.wrong(broken.with_fault(kind, first, times))
                    ]
            for kind in PLAUSIBLE:
                for first in places_of_one(name, count, whole=True):
                    here += 1
                    stated = broken.with_fault(kind, first, 1)
                    found += [(kind, first, one) for one in broken.decides_otherwise(stated)]
        for one in found:
            print(f"  {one}", flush=True)
        print(f"{name}, {role}: {here} faults, {len(found)} stated wrongly", flush=True)
        faults, wrong = faults + here, wrong + len(found)
    print(f"{faults} faults, {wrong} stated wrongly; {time.perf_counter() - began_s:.0f} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
