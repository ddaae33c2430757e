"""The golden unit: its results against their own history, beside what the bench found of itself, on benches with a known change."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import yaml

from sequencer.analysis.own_history import OwnHistory
from sequencer.analysis.where_to_look import where_to_look
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import FileProblems
from sequencer.results.model import Result
from sequencer.results.stored import StoredResult
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig

BENCH = Path("sim/self-checking-bench.yaml").resolve()
SERIAL = "M40-0007"
SEQUENCE = """
sequence: Golden
channels: plans/cept-40.yaml
supply: 13.2 V
checks:
  - {check: bench_check, levels: [0 dBm], frequencies: [27 MHz], fewest: 3, then: go on}
  - {check: carrier_power, channel: 20, readings: 4}
  - {check: sensitivity, channel: 20, target: 12 dB SINAD, deviation: 1.2 kHz, accuracy: 0.3 dB}
  - {check: golden_unit, fewest: 3}
"""
POWER, SENSITIVITY = "golden unit: carrier power", "golden unit: sensitivity, 12 dB SINAD"
Run = Callable[..., RunOutcome]


@pytest.fixture(scope="module")
def plan_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Plan]:
    """Make the plan on a bench that is changed by key."""
    folder = tmp_path_factory.mktemp("golden")

    def make(serial: str = SERIAL, **changes: Any) -> Plan:
        content = {**yaml.safe_load(BENCH.read_text(encoding="utf-8")), **changes}
        content["unit"] = str(BENCH.parent / "units")
        (folder / "bench.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
        (folder / "golden.yaml").write_text(SEQUENCE, encoding="utf-8")
        loaded = load_sequence(str(folder / "golden.yaml"))
        return make_plan(loaded, load_bench(str(folder / "bench.yaml")), serial=serial)

    return make


class Remembering:
    """The store of a few runs: what each serial and check had found before."""

    def __init__(self, runs: Sequence[Sequence[Result]]) -> None:
        names = [one.name for one in fields(Result)]
        self._rows = [
            StoredResult(
                **{name: getattr(one, name) for name in names} | {"run": f"r{run}"}, id=1, check_index=0
            )
            for run, results in enumerate(runs)
            for one in results
        ]

    def find(self, serial: str, check: str) -> OwnHistory:
        """Return the rows of a serial, of one check or of all."""
        rows = [one for one in self._rows if one.serial == serial and check in ("", one.check)]
        return OwnHistory(rows=tuple(rows), simulated=True)


def _ran(plan: Plan, runs: Sequence[Sequence[Result]] = ()) -> RunOutcome:
    rig = Rig(plan, SERIAL)
    rig.record.find_earlier = Remembering(runs).find  # type: ignore[method-assign]
    return rig.run()


@pytest.fixture(scope="module")
def runs(plan_of: Callable[..., Plan]) -> list[list[Result]]:
    """Eight runs of an undisturbed bench and unit, each with the unit connected anew and other noise."""
    return [list(_ran(plan_of(connected=number)).results) for number in range(2, 10)]


def _found(outcome: RunOutcome) -> Mapping[str, Result]:
    return {one.quantity: one for one in outcome.results}


def test_before_there_are_enough_runs_nothing_is_said(runs: list[list[Result]]) -> None:
    """The rows stand under the bench's serial with the unit's own values, without a limit, and say how many runs are lacking."""
    (first,) = (one for one in runs[0] if one.quantity == POWER)
    (power,) = (one for one in runs[0] if one.quantity == "carrier power")
    assert (first.value, first.serial, first.decision) == (
        power.value,
        "bench Self-checking bench",
        Decision.NO_LIMIT,
    )
    assert first.note == "0 earlier runs of 3 that control limits need, so that nothing is said yet"


def test_an_undisturbed_bench_and_unit_pass(plan_of: Callable[..., Plan], runs: list[list[Result]]) -> None:
    """A ninth run lies within the limits of the eight before it, and says how far from its mean."""
    outcome = _ran(plan_of(connected=20), runs)
    assert outcome.status is ExitStatus.PASSED
    assert "its mean of 8 runs, control limits ±" in _found(outcome)[SENSITIVITY].note


WORN = {
    "the generator's cable 1.5 dB worse": (
        {"generator_cable": "1.5 dB"},
        {SENSITIVITY},
        "look at the generator and its cable",
    ),
    "the power meter 0.5 dB low": (
        {"power_meter": "-0.5 dB"},
        {POWER},
        "look at the power meter and its cable",
    ),
    "meter and generator": (
        {"power_meter": "-0.5 dB", "generator": "-1.5 dB"},
        {POWER, SENSITIVITY},
        "put that right first",
    ),
}


@pytest.mark.parametrize("change", WORN)
def test_where_the_change_lies_is_told_by_both_together(
    plan_of: Callable[..., Plan], runs: list[list[Result]], change: str
) -> None:
    """What has moved, of bench and unit together, leaves one place; by the unit's results alone it would be any."""
    worn, moved, where = WORN[change]
    outcome = _ran(plan_of(connected=30, worn=worn), [*runs, _own_check(plan_of, runs, worn)])
    found = _found(outcome)
    assert {
        name for name, one in found.items() if one.decision is Decision.FAIL and "golden" in name
    } == moved
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert all(where in found[name].note for name in moved)


def _own_check(
    plan_of: Callable[..., Plan], runs: list[list[Result]], worn: Mapping[str, str]
) -> list[Result]:
    """Return what the bench finds of itself with that change, as its last check before the golden unit."""
    results = _ran(plan_of(connected=29, worn=worn), runs).results
    return [replace(one, time=datetime.now().astimezone()) for one in results if one.check == "bench_check"]


def test_words_for_each_case() -> None:
    """Without a recent check of the bench nobody can say which it is; with a sound one it is beyond the switch, or the unit."""
    alone = where_to_look("unknown", receive=True, transmit=False)
    assert "its results alone cannot tell" in alone
    assert alone.index("cables") < alone.index("generator") < alone.index("then at the golden unit")
    assert "receive path between switch and unit" in where_to_look("as it was", receive=True, transmit=False)
    assert "load and pads" in where_to_look("as it was", receive=False, transmit=True)
    assert "supply and connection" in where_to_look("as it was", receive=True, transmit=True)
    assert "the power meter" in where_to_look("unknown", receive=False, transmit=True)


def test_another_unit_is_no_golden_unit(plan_of: Callable[..., Plan]) -> None:
    """The check is refused on any other serial, and on a bench that names none, before anything is sent."""
    with pytest.raises(FileProblems, match="names M40-0007 as its golden unit, and this run is of M40-0011"):
        plan_of(serial="M40-0011")
    with pytest.raises(FileProblems, match="names no golden unit"):
        plan_of(golden_unit=None)
