"""Each way in which a reading can be wrong, at each check with each instrument that it reads by."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.checks import all_checks
from tests.support.senseless import CASES, PAIRS, Broken, kinds_of
from tests.support.wrong_places import places_of

READ_BY_PEOPLE_OR_NOT_AT_ALL = {"confirm", "enter_reading", "channel_memory"}
"""Checks that no instrument's reading enters."""
MEASURED_BY_OTHERS = {"adjust", "golden_unit"}
"""Checks whose results are those of other checks: as found and as left, or against what they were."""


@pytest.mark.parametrize(("name", "role"), PAIRS, ids=lambda one: one.replace(" ", "_"))
def test_a_senseless_reading_decides_nothing(tmp_path: Path, name: str, role: str) -> None:
    """Frozen, one behind, cut, ten times too high, no number, another quantity's figure; once and for good; early and late.

    The whole: tests/benchmarks/bench_wrong_readings.py.
    """
    broken = Broken(tmp_path, name, role)
    assert any(one.value is not None for one in broken.sound.results)
    wrong = [
        f"{kind} from reading {first}, {'once' if times else 'for good'}: {what}"
        for kind in kinds_of(role)
        for first, times in places_of(name, broken.sound.readings)
        for what in broken.wrong(broken.with_fault(kind, first, times))
    ]
    assert wrong == []


def test_every_check_that_reads_an_instrument_is_among_them() -> None:
    """A new check cannot be forgotten."""
    elsewhere = READ_BY_PEOPLE_OR_NOT_AT_ALL | MEASURED_BY_OTHERS
    assert set(all_checks()) - elsewhere <= {case.check for case in CASES.values()}
