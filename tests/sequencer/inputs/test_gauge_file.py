"""The file of a gauge study, the order it is made in, and lists of readings made elsewhere."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

from sequencer.files.read import read_text
from sequencer.inputs.gauge_file import GaugeFile, load_gauge, planned_cells
from sequencer.inputs.lists.gauge_list import read_gauge_list
from sequencer.problems import InputError

STUDY = """\
gauge: Power
sequence: fm-mobile-acceptance
checks: [carrier_power]
units: [M40-0007, M40-0011, M40-0012]
operators: [Ana, Bela]
trials: 3
"""


def _file(text: str = STUDY) -> GaugeFile:
    return read_text(text, GaugeFile).model


@pytest.mark.parametrize("order", ["random", "by operator"])
def test_every_cell_is_planned_once_a_trial_and_trial_after_trial(order: str) -> None:
    """The same seed draws the same order, another one another."""
    file = _file(f"{STUDY}order: {order}\n")
    cells = planned_cells(file, 7)
    assert [cell.number for cell in cells] == list(range(1, 19))
    assert [cell.trial for cell in cells] == [1] * 6 + [2] * 6 + [3] * 6
    assert set(Counter((cell.unit, cell.operator, cell.trial) for cell in cells).values()) == {1}
    assert cells == planned_cells(file, 7)
    assert cells != planned_cells(file, 8)


def test_by_operator_changes_operators_as_seldom_as_can_be() -> None:
    """Two operators, three trials: at most five changes in eighteen measurements."""
    cells = planned_cells(_file(f"{STUDY}order: by operator\n"), 3)
    changes = sum(one.operator != other.operator for one, other in pairwise(cells))
    assert changes <= 5


def test_a_random_order_favours_no_place() -> None:
    """Over 2,000 seeds each unit stands first about as often (a third, within four standard errors)."""
    file = _file()
    first = Counter(planned_cells(file, seed)[0].unit for seed in range(2000))
    assert all(abs(count - 2000 / 3) < 4 * (2000 * 2 / 9) ** 0.5 for count in first.values())


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("gauge: Power", "gauge: ../Power", "no name of a study"),
        ("M40-0011", "M40-0007", "'M40-0007' stands there twice"),
        ("M40-0011", "'a/b'", "cannot stand in a file's name"),
        ("[Ana, Bela]", "[Ana]", "at least 2"),
        ("[Ana, Bela]", "[Ana, ana]", "'ana' stands there twice"),
        ("trials: 3", "trials: 1", "2 to 20"),
        ("trials: 3", "trails: 3", "trials"),
        ("sequence: fm-mobile-acceptance", "sequence: fm-mobile-aceptance", "fm-mobile-acceptance"),
    ],
)
def test_a_wrong_file_is_complained_of(tmp_path: Path, old: str, new: str, said: str) -> None:
    """With its place."""
    path = tmp_path / "study.yaml"
    path.write_text(STUDY.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=r"study\.yaml") as problem:
        load_gauge(path)
    assert said in str(problem.value)


def test_a_study_given_for_a_sequence_is_said_to_be_one(tmp_path: Path) -> None:
    """Though it names a sequence too."""
    from sequencer.planning.loading.sequence import sequence_model

    with pytest.raises(InputError, match="this is a gauge study, not a sequence"):
        read_text(STUDY, sequence_model())


def test_a_study_of_too_many_measurements_is_refused(tmp_path: Path) -> None:
    """50 units by 20 operators 20 times would be twenty thousand."""
    units = ", ".join(f"U{number}" for number in range(50))
    operators = ", ".join(f"P{number}" for number in range(20))
    text = STUDY.replace("M40-0007, M40-0011, M40-0012", units).replace("Ana, Bela", operators)
    path = tmp_path / "study.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="3000 measurements"):
        load_gauge(path)


def _list(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_list_of_readings(tmp_path: Path) -> None:
    """Separators and columns in any order; blank lines are passed by."""
    found = read_gauge_list(_list(tmp_path, "value;operator;unit;trial\n3.8;Ana;U1;1\n\n-3.9e-1;Ana;U1;2\n"))
    assert [(one.unit, one.operator, one.value, one.trial, one.line) for one in found] == [
        ("U1", "Ana", 3.8, "1", 2),
        ("U1", "Ana", -0.39, "2", 4),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the list is empty"),
        ("unit,operator,value\n", "no reading stands below"),
        ("unit,value\nU1,3\n", "readings.csv:1:1: there is no column 'operator'"),
        ("unit,operator,vale\nU1,A,3\n", "the column 'vale' is not known"),
        ("unit,operator,value,value\nU1,A,3,3\n", "stands there 2 times"),
        ("unit,operator,value\nU1,A,x\n", "readings.csv:2:1: 'x' is no value"),
        ("unit,operator,value\nU1,A,nan\n", "'nan' is no value"),
        ("unit,operator,value\nU1,A,\n", "the value is missing"),
        ("unit,operator,value\nU1,A,3.8 W\n", "'3.8 W' has a unit"),
        (
            "unit,operator,value\nU1,A,2e15\n",
            "at most 1e+15 either way and without a unit: the unit stands with --lower",
        ),
        ("unit;operator;value\nU1;A;3,8\n", "write a point in its place"),
        ("unit,operator,value\n,A,3\n", "the unit is missing"),
        ("unit,operator,value\nU1,A,3,8\n", "stands beyond the last column"),
        (
            "unit,operator,trial,value\nU1,A,1,3\nU1,A,1,4\n",
            "readings.csv:3:1: trial 1 of U1 by A stands on line 2",
        ),
    ],
)
def test_a_wrong_list_is_complained_of_with_its_line(tmp_path: Path, text: str, said: str) -> None:
    """Nothing is left out in silence."""
    with pytest.raises(InputError) as problem:
        read_gauge_list(_list(tmp_path, text))
    assert said in str(problem.value)
