"""What `--order quickest` saves: bench seconds, key-downs and seconds keyed, as written and in the quickest order.

Over the sequences and the specimens they are made for, in virtual time; a specimen whose decisions or values differ between the two
orders by more than U is printed with the result, and is what this returns 1 for. ``--all`` takes every specimen of a model, a minute.
Run: python tests/benchmarks/bench_order.py
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import OrderAsked, make_plan
from sequencer.results.model import Result
from tests.support.key_log import KeyLog
from tests.support.running import run_plan

SEQUENCES = {"fm-mobile-acceptance": "m40", "multimode-27mhz": "mx40", "vhf-fm-handheld": "v5"}
UNSTEADY = "m40-0017"
"""Its antenna joint opens for half a second every three: what is found depends on when, in any order, so that it says nothing of one."""
ORDERS: tuple[OrderAsked, ...] = ("written", "quickest")


def main() -> int:
    """Print a line for each sequence, specimen and order; return 1 where two orders find something else."""
    options = argparse.ArgumentParser()
    options.add_argument("--all", action="store_true", help="every specimen of a model, not the first alone")
    chosen = options.parse_args()
    wrong = 0
    print(f"{'sequence':22} {'unit':10} {'order':9} {'bench s':>8} {'forecast':>8} {'keyed':>6} {'times':>6}")
    for sequence, model in SEQUENCES.items():
        specimens = [one for one in sorted(Path("sim/units").glob(f"{model}-*.yaml")) if one.stem != UNSTEADY]
        for specimen in specimens if chosen.all else specimens[:1]:
            serial = specimen.stem.upper()
            found = {order: _found(sequence, serial, order) for order in ORDERS}
            for line in _differences(found["written"], found["quickest"]):
                wrong += 1
                print(f"  {serial}: {line}", flush=True)
    return 1 if wrong else 0


def _found(sequence: str, serial: str, order: OrderAsked) -> tuple[Result, ...]:
    plan = make_plan(load_sequence(sequence), load_bench("sim/bench.yaml"), serial=serial, order=order)
    parts = bench_parts(plan.bench, serial=serial, dry_run=True, sequence=plan.sequence)
    assert parts.simulation is not None
    log = KeyLog(parts.simulation)
    with tempfile.TemporaryDirectory() as folder:
        outcome = run_plan(Path(folder), serial, plan, parts).outcome
    print(
        f"{sequence:22} {serial:10} {order:9} {outcome.bench_s:8.1f} {plan.forecast_s:8.1f} {log.keyed_s:6.1f} {log.times:6}",
        flush=True,
    )
    return outcome.results


def _differences(written: tuple[Result, ...], quickest: tuple[Result, ...]) -> Iterator[str]:
    """Yield what the two orders do not agree on."""
    if len(written) != len(quickest):
        yield f"{len(written)} results as written, {len(quickest)} in the quickest order"
        return
    for one, other in zip(written, quickest, strict=True):
        alike = (one.check, one.channel, one.quantity, one.decision)
        if alike != (other.check, other.channel, other.quantity, other.decision):
            yield f"{one.quantity}, channel {one.channel}: {one.decision.value} as written, {other.quantity} {other.decision.value}"
        elif (
            one.value is not None
            and other.value is not None
            and abs(one.value - other.value) > (one.uncertainty or 0.0)
        ):
            yield f"{one.quantity}, channel {one.channel}: {one.value:g} and {other.value:g} {one.unit}, U {one.uncertainty:g}"


if __name__ == "__main__":
    sys.exit(main())
