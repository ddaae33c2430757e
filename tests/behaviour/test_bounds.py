"""Every number that a file or a command line states has a least and a most; a hostile one is a complaint, never a traceback."""

from __future__ import annotations

import copy
import dataclasses
import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, get_args, get_origin, get_type_hints

import click
import pytest
import yaml
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from drivers.profiled.profile import Profile
from drivers.text.profile import TextProfile
from sequencer.checks import all_checks
from sequencer.cli.main import main
from sequencer.files.bounds import ranges_in
from sequencer.files.dataclass_model import model_for, read_dataclass_text
from sequencer.files.read import read_text
from sequencer.inputs.batch import BatchFile
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.bench_models import bench_model
from sequencer.inputs.bench_parts.instruments import ENTRIES
from sequencer.inputs.bench_parts.loss_table import LossTable
from sequencer.inputs.channel_plan import PlanFile
from sequencer.inputs.gauge_file import GaugeFile
from sequencer.inputs.preset import Preset
from sequencer.planning.loading.model_limits import model_of_files
from sequencer.planning.loading.sequence import sequence_model
from sequencer.problems import FileProblems, InputError
from sequencer.results.model import Point, Result
from sequencer.results.store.spill import KeptExchange, KeptRun, read_kept
from sequencer.results.store.store import Store
from sim.radio.unit import Specimen
from tests.support.kept_json import write_kept
from tests.support.stored_results import BUDGET, RUN, SETTINGS, a_result, an_exchange

MODELS: tuple[type[BaseModel], ...] = (
    BatchFile,
    BenchFile,
    PlanFile,
    LossTable,
    GaugeFile,
    Preset,
    sequence_model(),
    model_of_files(),
    *(one for models in ENTRIES.values() for one in models),
    *(check.settings for check in all_checks().values()),
    *map(model_for, (Specimen, Profile, TextProfile)),
)


def _models_below(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) is Annotated:
        yield from _models_below(get_args(annotation)[0])
    else:
        for one in get_args(annotation):
            yield from _models_below(one)


def _all_models() -> list[type[BaseModel]]:
    found: dict[type[BaseModel], None] = {}
    left = list(MODELS)
    while left:
        model = left.pop()
        if model not in found:
            found[model] = None
            left += [one for field in model.model_fields.values() for one in _models_below(field.annotation)]
    return sorted(found, key=lambda one: one.__name__)


@pytest.mark.parametrize("model", _all_models(), ids=lambda one: one.__name__)
def test_every_number_of_a_file_has_a_least_and_a_most(model: type[BaseModel]) -> None:
    """No model of a file, of whatever depth, takes a number as large or as small as one likes."""
    for name, field in model.model_fields.items():
        for one in ranges_in(field.annotation, field.metadata):
            assert -math.inf < one.least < one.most < math.inf, f"{model.__name__}.{name}"


def test_the_walk_finds_the_numbers_there_are() -> None:
    """The walk sees numbers in lists, in choices, in mappings' keys and behind an optional: fewer would prove nothing."""
    walked = {
        f"{model.__name__}.{name}": len(list(ranges_in(field.annotation, field.metadata)))
        for model in _all_models()
        for name, field in model.model_fields.items()
    }
    assert walked["Rule.swaps"] == 2
    assert walked["PlanFile.channels"] == 2
    assert walked["SelectivitySettings.offsets_hz"] == 1
    assert walked["ProfiledSupply.max_voltage_v"] == 1
    assert walked["CarrierPowerSettings.channel"] == 2
    assert sum(walked.values()) > 400


@pytest.mark.parametrize("of", [KeptRun, KeptExchange])
def test_every_number_of_a_kept_run_has_a_least_and_a_most(of: Any) -> None:
    """What the file of a kept run states of the run and of each message is bounded by its type; results are tried below."""
    for name, hint in get_type_hints(of, include_extras=True).items():
        if name != "checks":
            for one in ranges_in(hint):
                assert -math.inf < one.least < one.most < math.inf, name


def _options(command: click.Command, path: str = "") -> Iterator[tuple[str, click.Parameter]]:
    for one in command.params:
        yield f"{path} {one.name}", one
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from _options(inner, f"{path} {name}")


def test_every_number_on_the_command_line_has_a_least_and_a_most() -> None:
    """An option that takes a number says from where to where."""
    numeric = [
        (path, one.type)
        for path, one in _options(main)
        if isinstance(one.type, click.types.IntParamType | click.types.FloatParamType)
        and not getattr(one, "count", False)
    ]
    assert len(numeric) >= 5
    for path, kind in numeric:
        assert isinstance(kind, click.IntRange | click.FloatRange), path
        assert kind.min is not None, path
        assert kind.max is not None, path


# -- hostile numbers where each number of a file stands ------------------------------------------------------

_FAR = [
    "nan",
    ".nan",
    "inf",
    "-inf",
    "1e999",
    "-1e999",
    "1e308",
    "-1e308",
    "1e30",
    "-1e30",
    "9" * 400,
    "1e-400",
]
_UNITS = [
    "",
    " dBm",
    " dB",
    " Hz",
    " MHz",
    " s",
    " h",
    " V",
    " kV",
    " A",
    " W",
    " kW",
    " %",
    " ppm",
    " ohm",
    " degC",
]
HOSTILE = st.builds(lambda number, unit: number + unit, st.sampled_from(_FAR), st.sampled_from(_UNITS)) | (
    st.sampled_from([math.nan, math.inf, -math.inf, 1e308, -1e308, 10**400, -(10**400), 10**17, -1, 0, True])
)

FILES: dict[str, tuple[str, Any]] = {
    "bench": ("sim/bench.yaml", bench_model()),
    "two generators": ("sim/two-signal-bench.yaml", bench_model()),
    "sequence": ("sequences/fm-mobile-acceptance.yaml", sequence_model()),
    "plan": ("sequences/plans/cept-40.yaml", PlanFile),
    "model": ("sequences/models/m40.yaml", model_of_files()),
    "profile": ("drivers/profiles/signal_generator/scpi-1999.yaml", Profile),
    "specimen": ("sim/units/m40-0007.yaml", Specimen),
}
ROOT = Path(__file__).parents[2]


def _places(plain: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of each scalar of a tree, and of each key as its own."""
    if isinstance(plain, dict):
        for key, one in plain.items():
            yield from _places(one, (*path, key))
    elif isinstance(plain, list):
        for at, one in enumerate(plain):
            yield from _places(one, (*path, at))
    else:
        yield path


def _with(plain: Any, path: tuple[Any, ...], one: Any) -> Any:
    changed = copy.deepcopy(plain)
    inner = changed
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = one
    return changed


@pytest.mark.parametrize("kind", FILES)
@given(data=st.data())
def test_a_hostile_number_anywhere_in_a_file_is_a_complaint(kind: str, data: st.DataObject) -> None:
    """Whatever stands where a figure stood, the file is read, or refused with the place, what is allowed there, and no traceback."""
    name, model = FILES[kind]
    plain = yaml.safe_load((ROOT / name).read_text(encoding="utf-8"))
    path = data.draw(st.sampled_from(list(_places(plain))))
    text = yaml.safe_dump(_with(plain, path, data.draw(HOSTILE)))
    try:
        if dataclasses.is_dataclass(model):
            read_dataclass_text(text, model, file="f.yaml")  # type: ignore[arg-type]
        else:
            read_text(text, model, file="f.yaml")
    except FileProblems as problems:
        for one in problems.complaints:
            assert one.file == "f.yaml"
            assert one.line > 0
            assert one.column > 0
            assert one.allowed or one.hint


@pytest.mark.parametrize("check", sorted(all_checks()))
@given(data=st.data())
def test_a_hostile_number_in_any_setting_is_a_complaint(check: str, data: st.DataObject) -> None:
    """Each number of each check's settings and limits, written as its key says, is refused beyond its bounds with what is allowed."""
    settings = all_checks()[check].settings
    fields = {
        field.alias or name: list(ranges_in(field.annotation, field.metadata))
        for name, field in settings.model_fields.items()
    }
    key = data.draw(st.sampled_from([key for key, ranges in fields.items() if ranges]))
    one = fields[key][-1]
    far = data.draw(st.sampled_from([one.most * 2 + 1, -abs(one.most) * 2 - 1, 1e29, -1e29]))
    shown: Any = f"{far:.0f} {one.unit}" if one.unit else int(far)
    text = json.dumps({"sequence": "s", "checks": [{"check": check, key: shown}]})
    with pytest.raises(FileProblems) as caught:
        read_text(text, sequence_model(), file="s.yaml")
    assert any(complaint.allowed for complaint in caught.value.complaints), str(caught.value)
    assert any(
        "too large" in complaint.message
        or "too small" in complaint.message
        or "out of range" in complaint.message
        or "not allowed" in complaint.message
        or "a list" in complaint.allowed
        for complaint in caught.value.complaints
    ), str(caught.value)


# -- a kept run ------------------------------------------------------------------------------------------------


def _kept(folder: Path) -> Path:
    point = Point(level_db=-110.0, reading=12.5, state="in range", reading_s=0.1, at_s=3.5)
    whole = a_result(
        points=(point,),
        budget=BUDGET,
        settings=SETTINGS,
        lower_limit=-120.0,
        **dict.fromkeys(("target", "slope", "axis_value", "nominal", "supply_v"), 1.0),
        **dict.fromkeys(("temperature_c", "air_c", "sensor_c", "soaked_s"), 1.0),
    )
    return write_kept(folder / "kept.json", replace(RUN, bench_s=3.0), [(0, [whole], [an_exchange()])])


def test_no_number_that_is_none_comes_in_with_a_kept_run(tmp_path: Path) -> None:
    """NaN, infinity and 1e999 are refused wherever a number of a kept run stands, with the place and the range; but a reading at no
    level has NaN for its level, as runs write it."""
    file = _kept(tmp_path)
    assert read_kept(file).checks[0].results[0].value == -120.0
    plain = json.loads(file.read_text(encoding="utf-8"))
    numbers = [
        path
        for path in _places(plain)
        if isinstance(_at(plain, path), int | float) and not isinstance(_at(plain, path), bool)
    ]
    assert {path[-1] for path in numbers} >= {
        one.name for one in dataclasses.fields(Result) if "float" in str(one.type)
    }
    for path in numbers:
        for written in ("NaN", "Infinity", "-Infinity", "1e999", "-1e999", "1e300"):
            text = json.dumps(_with(plain, path, "@@")).replace('"@@"', written)
            file.write_text(text, encoding="utf-8")
            if (path[-1], written) == ("level_db", "NaN") or (
                {"budget", "settings"} & set(path) and written == "1e300"
            ):
                read_kept(file)
                continue
            with pytest.raises(InputError) as caught:
                read_kept(file)
            (first, *_) = caught.value.complaints
            # a setting is named as it was told, and not by its place in the file
            named = "settings." if "settings" in path else str(path[-1])
            assert named in first.message, (path, written, first)
            assert first.allowed


def _at(plain: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        plain = plain[key]
    return plain


# -- the command line ------------------------------------------------------------------------------------------

FAR = "9" * 30
HUGE = "x" * 100_000
LINES: dict[str, tuple[list[str], str]] = {
    "a channel beyond the database": (["results", "--channel", FAR], "--channel"),
    "a channel below": (["history", "--serial", "M40-0007", "--channel", "-1"], "--channel"),
    "a limit beyond the database": (["results", "--limit", FAR], "--limit"),
    "a step beyond the database": (["trace", "r1", "--step", FAR], "--step"),
    "a port beyond 16 bits": (["simulate", "bench", "--port", "99999"], "--port"),
    "a year before all": (["results", "--since", "0001-01-01"], "a year from 1970"),
    "a year after all": (["results", "--until", "9999-12-31"], "a year from 1970"),
    "a long date": (["results", "--since", HUGE], "at most 4096 characters"),
    "a long run": (["results", HUGE], "at most 4096 characters"),
    "a long serial": (["results", "--serial", HUGE], "at most 4096 characters"),
    "a long name to compare": (["compare", HUGE, "M40-0007"], "at most 4096 characters"),
    "a run that is no text": (["results", "\udcff"], "an invalid character"),
    "a serial that is no text": (["history", "--serial", "\udcff"], "an invalid character"),
    "a check with a NUL": (["results", "--check", "a\0"], "an invalid character"),
}


@pytest.fixture(scope="module")
def results_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a results folder whose store holds a run."""
    folder = tmp_path_factory.mktemp("results")
    with Store.open(folder / "results.sqlite") as store:
        store.write_run(RUN)
        store.write_check("r1", 0, [a_result()], [an_exchange()])
    return folder


@pytest.mark.parametrize("case", LINES)
def test_a_number_or_text_beyond_all_bounds_on_the_command_line_has_status_2(
    case: str, results_folder: Path
) -> None:
    """It is said which option it was and what is allowed; the store is never blamed for it."""
    arguments, said = LINES[case]
    folder = [] if arguments[0] == "simulate" else ["--folder", str(results_folder)]
    result = CliRunner().invoke(main, [*arguments, *folder])
    assert isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == 2
    assert said in result.stderr
    assert "damaged" not in result.stderr
    assert len(result.stderr) < 2000
