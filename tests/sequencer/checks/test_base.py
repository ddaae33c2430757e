"""What every check is made of: documented settings, limits that are right, and packages' own checks."""

from __future__ import annotations

import importlib
import subprocess
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from pydantic import BaseModel

import sequencer.checks as checks_module
from drivers.faults import NotSettled
from drivers.roles import RangeState, Reading
from sequencer.checks import all_checks
from sequencer.checks.base import Check, LevelLimit, PowerLimit, settle
from sequencer.files.docstrings import field_docstrings
from sequencer.files.explain import _models_in
from sequencer.uncertainty.decision import Limits

TOP = Path(__file__).parents[3]


def _models() -> Iterator[type[BaseModel]]:
    seen: set[type[BaseModel]] = set()
    waiting: list[type[BaseModel]] = [check.settings for check in all_checks().values()]
    while waiting:
        model = waiting.pop()
        if model not in seen:
            seen.add(model)
            yield model
            waiting += [
                inner for field in model.model_fields.values() for inner in _models_in(field.annotation)
            ]


@pytest.mark.parametrize("model", list(_models()), ids=lambda model: model.__name__)
def test_every_setting_is_documented(model: type[BaseModel]) -> None:
    """Reference page and schema are made from the docstrings: no field of any settings is without."""
    assert model.__doc__
    texts = field_docstrings(model)
    for name in model.model_fields:
        assert texts.get(name), f"{model.__name__}.{name}"
        assert texts[name].rstrip().endswith((".", ")", "it")), f"{model.__name__}.{name}: no sentence"


@pytest.mark.parametrize("name", list(all_checks()))
def test_every_check_says_what_it_is(name: str) -> None:
    """Name, summary, side, roles and modes are stated; the name it is found under is its own."""
    check = all_checks()[name]
    assert check.name == name
    assert check.summary
    assert check.side in ("receive", "transmit", "loss", "none")
    assert check.modes
    assert (check.side == "none") == (not check.roles)


def test_no_power_limit_and_one_and_both() -> None:
    """Limits come through as they are written; none is none."""
    assert PowerLimit().limits == Limits()
    assert PowerLimit(min_w=3.0).limits == Limits(lower=3.0)
    assert PowerLimit(min_w=3.0, max_w=4.0).limits == Limits(lower=3.0, upper=4.0)


def test_nominal_and_within_become_two_limits() -> None:
    """-73 dBm within 6 dB is -79 to -67 dBm (hand-computed; one S-unit of IARU Region 1 R.1)."""
    assert LevelLimit(nominal_dbm=-73.0, within_db=6.0).limits == Limits(lower=-79.0, upper=-67.0)


def _readings(*numbers: float | None) -> Iterator[Reading]:
    for number in numbers:
        state = RangeState.IN_RANGE if number is not None else RangeState.UNDER_RANGE
        yield Reading(number=number, state=state)


def test_settled_is_when_two_in_a_row_agree() -> None:
    """1, 2, 2.5, 2.55 agree to 0.1 with the last two; the pauses between them are waited."""
    waited: list[float] = []
    source = _readings(1.0, 2.0, 2.5, 2.55, 9.0)
    found = settle(lambda: next(source), waited.append, within=0.1, pause_s=0.2)
    assert [one.number for one in found] == [2.5, 2.55]
    assert waited == [0.2, 0.2, 0.2]


def test_what_never_settles_says_so() -> None:
    """Readings that go on differing end in `NotSettled`, not in their mean."""
    source = _readings(*map(float, range(100)))
    with pytest.raises(NotSettled, match=r"still differ by more than 0\.1 after 5 readings"):
        settle(lambda: next(source), lambda _: None, within=0.1, most=5)


@pytest.mark.parametrize("numbers", [(None,), (1.0, None), (1.0, 2.0, None)])
def test_a_reading_that_is_no_number_ends_the_settling(numbers: tuple[float | None, ...]) -> None:
    """Out of range is handed on as it is, so that the check can say so."""
    source = _readings(*numbers)
    assert settle(lambda: next(source), lambda _: None, within=0.1)[-1].number is None


OWN = '''
from typing import ClassVar, Literal
from sequencer.checks.base import Check, CheckSettings, Finding

class {settings}(CheckSettings):
    """Settings of `noise_floor`."""

    check: Literal["{literal}"]
    """Which check this is."""
    floor_dbm: float = -130.0
    """A figure."""

class NoiseFloor({base}):
    """A check of somebody's own."""

    name: ClassVar[str] = "noise_floor"
    summary: ClassVar[str] = "somebody's own"
    side: ClassVar[str] = "{side}"
    settings = {settings}

    def quantities(self, settings):
        return (("noise floor", "dBm"),)

    def inspect(self, settings, conditions):
        return [Finding(quantity="noise floor", value=settings.floor_dbm, unit="dBm", note="own")]
'''


def _package(
    folder: Path, entry: str = "noise_floor = own_check:NoiseFloor", source: str = "", **changes: str
) -> Path:
    """Lay an installed package with one check into ``folder``, as pip would."""
    words = {
        "settings": "NoiseFloorSettings",
        "literal": "noise_floor",
        "base": "Check",
        "side": "none",
    } | changes
    (folder / "own_check.py").write_text(source or OWN.format(**words), encoding="utf-8")
    info = folder / "own_check-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: own-check\nVersion: 1.0\n", encoding="utf-8")
    (info / "entry_points.txt").write_text(f"[sequencer.checks]\n{entry}\n", encoding="utf-8")
    return folder


def _sequencer(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    code = f"import sys; sys.path[:0] = [{str(folder)!r}, {str(TOP)!r}]; from sequencer.cli.main import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_a_package_s_check_is_planned_run_recorded_and_in_the_schema(tmp_path: Path) -> None:
    """A check of an installed package works in a sequence like a shipped one, from its file to the results table."""
    _package(tmp_path)
    (tmp_path / "s.yaml").write_text(
        "sequence: Own\nchecks:\n  - {check: noise_floor, floor: -120}\n", encoding="utf-8"
    )
    words = ("run", "s.yaml", "--bench", "bench", "--serial", "M40-0007", "--folder", "r", "--json")
    done = _sequencer(tmp_path, *words)
    assert done.returncode == 0, done.stderr
    assert '"quantity": "noise floor"' in done.stdout
    assert '"value": -120.0' in done.stdout
    (table,) = (tmp_path / "r").glob("*.csv")
    assert "noise_floor" in table.read_text(encoding="utf-8")
    assert '"const": "noise_floor"' in _sequencer(tmp_path, "schema", "sequence").stdout
    (tmp_path / "s.yaml").write_text("sequence: Own\nchecks:\n  - {check: noise_flor}\n", encoding="utf-8")
    assert (
        "did you mean 'noise_floor'?" in _sequencer(tmp_path, "validate", "s.yaml", "--bench", "bench").stderr
    )


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"source": "raise RuntimeError('broken on import')"}, "RuntimeError: broken on import"),
        ({"source": "import not_installed_anywhere"}, "ModuleNotFoundError"),
        ({"source": "NoiseFloor = dict"}, "dict is not a subclass of sequencer.checks.base.Check"),
        ({"entry": "carrier_power = own_check:NoiseFloor"}, "there is a check 'carrier_power' already"),
        (
            {"entry": "other = own_check:NoiseFloor"},
            "its name is 'noise_floor', and it is installed as 'other'",
        ),
        ({"entry": "noise_floor = own_check:Missing"}, "AttributeError"),
        ({"literal": "something"}, "its settings must say: check: Literal['noise_floor']"),
        ({"side": "both"}, "its side is 'both'"),
    ],
)
def test_a_package_s_broken_check_is_refused_by_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, changes: dict[str, str], text: str
) -> None:
    """Whatever is wrong with a package's check, the package is named with the reason, and there is no traceback."""
    _package(tmp_path, **changes)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "own_check", raising=False)
    importlib.invalidate_caches()
    with pytest.raises(checks_module.FileProblems) as caught:
        checks_module.all_checks.__wrapped__()
    sys.modules.pop("own_check", None)
    assert "own-check (own_check:" in str(caught.value)
    assert text in str(caught.value)
    assert "repair the package or remove it" in str(caught.value)


def test_only_subclasses_with_a_procedure_measure() -> None:
    """A check that is asked to work on a side it has not says so, rather than measure nothing."""
    check: Check[object] = all_checks()["carrier_power"]  # type: ignore[assignment]
    with pytest.raises(TypeError, match="does not work on the receive side"):
        check.receive(None, None, None)  # type: ignore[arg-type]


def test_names_are_listed_in_a_steady_order() -> None:
    """Complaints and schemas name the checks in one order, shipped ones first."""
    assert list(all_checks())[: len(checks_module.SHIPPED)] == list(checks_module.SHIPPED)
    assert all(one != other for one, other in pairwise(all_checks()))
