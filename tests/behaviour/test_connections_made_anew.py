"""Two runs between which the unit's connection was made anew: chance is not called a difference, and a change of 0.3 dB is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from sequencer.analysis.compare import ALIKE, CONNECTION_UNSTATED, DIFFERS, Comparison, Group, compare
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from sim.radio.unit import Specimen
from tests.support.rig import Rig
from tests.support.stored_rows import row

BENCHES = 25
CHECKS = """\
sequence: S
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_power: 4.5 W
checks:
  - {check: carrier_power, channel: 20}
  - {check: supply_current, channel: 20}
  - {check: peak_deviation, channel: 20, drive: 10 mV}
  - {check: s9_point, channel: 20, target: 2.25 V, accuracy: 0.5 dB}
"""


@pytest.fixture
def found_on(bench_file: Callable[..., Path], sequence_file: Callable[..., Path]) -> Callable[..., Group]:
    """Measure M40-0007 on the bench of a seed, connected for the so-many-th time; its power may be changed by decibels."""
    sequence = load_sequence(str(sequence_file(CHECKS)))
    loaded = load_bench(str(bench_file()))
    names = count()

    def found(seed: int, connected: int, *, louder_db: float = 0.0, stated: bool = True) -> Group:
        bench = loaded.bench.model_copy(update={"seed": seed, "connected": connected})
        if not stated:
            bench = bench.model_copy(update={"paths": _without(bench.paths), "leads": type(bench.leads)()})
        rig = Rig(make_plan(sequence, replace(loaded, bench=bench), serial="M40-0007"), "M40-0007")
        unit = rig.simulation.unit
        unit.specimen = _louder(unit.specimen, louder_db)
        rig.run()
        name = f"run-{next(names)}"
        results = [one for kept in rig.record.kept.values() for one in kept]
        return Group(name=name, rows=tuple(_stored(one, name, seed) for one in results))

    return found


def _without(paths: Any) -> Any:
    nothing = {"connection_repeatability_db": None}
    return paths.model_copy(
        update={name: getattr(paths, name).model_copy(update=nothing) for name in ("receive", "transmit")}
    )


def _louder(specimen: Specimen, by_db: float) -> Specimen:
    power_w = specimen.transmitter.power_w * 10.0 ** (by_db / 10.0)
    return replace(specimen, transmitter=replace(specimen.transmitter, power_w=power_w))


def _stored(result: Result, run: str, seed: int) -> Any:
    stored = row(result.value, run=run, quantity=result.quantity, unit=result.unit, bench_hash=str(seed))
    return replace(stored, budget=result.budget, uncertainty=result.uncertainty)


def _statements(comparisons: list[Comparison]) -> list[str]:
    return [line.cells[1].statement for one in comparisons for line in one.lines]


def test_a_connection_made_anew_is_called_a_difference_one_time_in_twenty(found_on: Any) -> None:
    """Of 25 benches that measure one unit twice, about 5 % of the six quantities may differ at 95 %; 11 % is beyond chance for 150.

    Binomial, n 150, p 0.05: more than 16 happens once in two hundred.
    """
    found = [compare([found_on(seed, 1), found_on(seed, 2)]) for seed in range(1, BENCHES + 1)]
    said = _statements(found)
    assert len(said) == 6 * BENCHES
    assert said.count(ALIKE) + said.count(DIFFERS) >= 0.98 * len(said)  # a search may end without an answer
    assert said.count(DIFFERS) <= 16


def test_a_real_change_of_0_3_db_is_seen_through_it(found_on: Any) -> None:
    """A unit that radiates 0.3 dB more in its second run differs in power, and in nothing that does not depend on it."""
    line = compare([found_on(3, 1), found_on(3, 2, louder_db=0.3)]).lines[0]
    assert line.quantity == "carrier power"
    assert line.cells[1].statement == DIFFERS
    assert line.cells[1].difference == pytest.approx(3.7 * (10**0.03 - 1), abs=0.06)


def test_unstated_it_is_not_taken_for_nought(found_on: Any) -> None:
    """Where the bench file is silent on connections, a change of 0.3 dB is not called a difference."""
    line = compare([found_on(3, 1, stated=False), found_on(3, 2, louder_db=0.3, stated=False)]).lines[0]
    assert line.cells[1].statement == CONNECTION_UNSTATED
