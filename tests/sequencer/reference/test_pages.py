"""The reference pages: in step with the models, complete, and true: examples are planned, ranges are the reader's, roles are the plan's.

Outside the project: PyYAML reads the pages' fenced blocks; the rest is the project's own word held against itself, in other words.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from drivers.profiled.commands import ROLE_COMMANDS
from drivers.registry import PROFILED
from sequencer.checks import SHIPPED, all_checks
from sequencer.cli.main import main
from sequencer.files.shipped import shipped_names
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems
from sequencer.reference import GENERATED, NAMES, WRITTEN, page_text, page_titles
from sequencer.reference.examples import HEAD, settings_of
from sim.radio.unit import CEPT_FREQUENCIES_HZ
from tests.sequencer.checks.test_base import _package, _sequencer

DOCS = Path(__file__).parents[3] / "sequencer" / "reference" / "pages"
BENCH = Path("sim/spectrum-bench.yaml")
BENCHES = {"signalling_received": Path("sim/signalling-bench.yaml")}
"""Of a check that this bench lacks something for."""
SERIAL = "M40-0007"
LIST = "No;RX\n1;26.965\n"
DIFFERS = (
    "sequencer/reference/pages/{name}.md is behind the models and docstrings; run "
    "`sequencer reference --into sequencer/reference/pages --force` and look at what it changed"
)


def _sections(page: str) -> dict[str, str]:
    """Return the text under each second heading of a page."""
    pieces = re.split(r"^## (.+)$", page, flags=re.MULTILINE)
    return dict(zip(pieces[1::2], pieces[2::2], strict=True))


def _example(section: str) -> str:
    match = re.search(r"^Example:\n\n```yaml\n(.*?)^```", section, re.MULTILINE | re.DOTALL)
    assert match is not None, section
    return match[1]


def _rows(section: str) -> dict[str, list[str]]:
    """Return the rows of a section's tables by their first cell."""
    rows = [
        re.split(r" (?<!\\)\| ", line.strip("| ")) for line in section.splitlines() if line.startswith("| `")
    ]
    return {row[0].strip("`"): row for row in rows}


@pytest.fixture(scope="module")
def checks() -> dict[str, str]:
    """The sections of the page of checks, as it stands in docs."""
    return _sections((DOCS / "checks.md").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", GENERATED)
def test_a_page_is_what_would_be_generated_now(name: str) -> None:
    """Who changes a setting or a docstring writes the pages anew; the failure says how."""
    written = (DOCS / f"{name}.md").read_text(encoding="utf-8")
    assert written == page_text(name), DIFFERS.format(name=name)


def test_every_check_and_every_setting_has_its_place(checks: dict[str, str]) -> None:
    """No check is missing, and no key of any of its settings, those inside `limit` and the like included."""
    assert set(SHIPPED) <= set(checks)
    for name, check in all_checks().items():
        keys = {(field.alias or key) for key, field in check.settings.model_fields.items()}
        assert keys - {"check", "channel", "mode", "at", "limits_from"} <= set(_rows(checks[name])), name
    assert {"limit.nominal", "limit.within", "levels.max"} <= set(_rows(checks["sensitivity"]))


def test_every_setting_is_explained(checks: dict[str, str]) -> None:
    """No row is without its meaning, its type, or what holds where it is left out."""
    for name, section in checks.items():
        for key, row in _rows(section).items():
            assert len(row) == 6, (name, key, row)
            assert len(row[5]) > 5, (name, key)
            assert row[1] != "–", (name, key)


def test_every_role_and_method_has_its_place() -> None:
    """Each role stands on its page with every public method of its class, and with the keys that only its entry takes."""
    from sequencer.reference.roles_page import CLASSES

    sections = _sections((DOCS / "roles.md").read_text(encoding="utf-8"))
    assert set(PROFILED) == set(CLASSES) <= set(sections)
    for role, cls in CLASSES.items():
        methods = {name for name, one in vars(cls).items() if callable(one) and not name.startswith("_")}
        assert methods == {row.partition("(")[0] for row in _rows(sections[role]) if "(" in row}
    assert "`max_power`" in sections["power_meter"]
    assert "`level.min`" in sections["signal_generator"]


def test_every_profile_and_command_has_its_place() -> None:
    """Each shipped profile stands on its page with every command its role may have, departures marked."""
    sections = _sections((DOCS / "profiles.md").read_text(encoding="utf-8"))
    assert {name.removesuffix(".yaml") for name in shipped_names("profile")} == set(sections)
    for role, commands in ROLE_COMMANDS.items():
        assert set(commands) <= set(_rows(sections[f"{role}/scpi-1999"]))
    assert "departs" in _rows(sections["power_meter/scpi-1999"])["peak_power"][-1]
    assert _rows(sections["supply/scpi-1999"])["identity"][-1] == "IEEE 488.2"


SOUND = {
    "signalling_sent": "M40-0071",
    "receive_audio_response": "MX40-0161",
    "spurious_response": "MX40-0161",
    "signalling_received": "M40-0091",
    "intermodulation": "MX40-0161",
}
"""Sound specimens that show what the multimode one has not."""


def _plan(folder: Path, example: str, bench: str | Path = BENCH) -> Any:
    file = folder / "example.yaml"
    file.write_text(HEAD + example, encoding="utf-8")
    (folder / f"memory-{SERIAL}.csv").write_text(LIST, encoding="utf-8")
    serial = "MX40-0101" if "golden_unit" in example else SERIAL  # whom the bench file names
    return make_plan(load_sequence(str(file)), load_bench(str(bench)), serial=serial)


@pytest.mark.parametrize("name", SHIPPED)
def test_an_example_is_a_sequence_that_the_shipped_bench_can_do(
    checks: dict[str, str], tmp_path: Path, name: str
) -> None:
    """What is copied off the page is read and planned without a complaint, and is of the check it stands under."""
    plan = _plan(tmp_path, _example(checks[name]), BENCHES.get(name, BENCH))
    before = {"carrier_power"} if name == "golden_unit" else set()  # what it holds against its history
    assert {name} <= {step.check.name for step in plan.steps} <= {name, "confirm", *before}


@pytest.mark.parametrize("name", SHIPPED)
def test_what_an_example_reports_is_on_the_page(checks: dict[str, str], tmp_path: Path, name: str) -> None:
    """The example runs on a sound multimode unit: what it judges passes, and each quantity in its results stands on the page."""
    sound = "No;RX\n" + "".join(f"{n};{hz / 1e6:.3f}\n" for n, hz in enumerate(CEPT_FREQUENCIES_HZ, start=1))
    (tmp_path / "example.yaml").write_text(HEAD + _example(checks[name]), encoding="utf-8")
    (tmp_path / "memory-MX40-0101.csv").write_text(sound, encoding="utf-8")
    bench = (
        BENCHES.get(name, BENCH)
        .read_text(encoding="utf-8")
        .replace("unit: units ", f"unit: {BENCH.parent.resolve() / 'units'} ")
    )
    (tmp_path / "bench.yaml").write_text(bench, encoding="utf-8")  # path_loss writes beside its bench file
    words = [
        "run",
        str(tmp_path / "example.yaml"),
        "--bench",
        str(tmp_path / "bench.yaml"),
        "--serial",
        SOUND.get(name, "MX40-0101"),
        "--confirmed",
        "--json",
    ]
    entered = ["--entered", "lamp current=110 mA"] if name == "enter_reading" else []
    ran = CliRunner().invoke(main, [*words, *entered, "--folder", str(tmp_path / "results")])
    found = [one for one in json.loads(ran.stdout)["results"] if one["check"] == name]
    assert ran.exit_code == 0, ran.output
    assert found
    assert {one["decision"] for one in found} <= {"pass", "no limit"}
    text = " ".join(checks[name].split())
    for one in found:
        assert re.sub(r" \d+$", "", one["quantity"]) in text


@pytest.mark.parametrize(
    "name", [one for one in SHIPPED if one != "golden_unit"]
)  # its example's roles are another's
def test_the_roles_named_are_those_the_plan_asks_for(
    checks: dict[str, str], tmp_path: Path, name: str
) -> None:
    """With the roles on the page alone the plan is content; each one taken away is missed, by name."""
    named = re.search(r"^- roles: (.*)$", checks[name], re.MULTILINE)
    assert named is not None
    needed = re.findall(r"`(\w+)`", named[1])
    example = _example(checks[name])
    whole = yaml.safe_load(BENCHES.get(name, BENCH).read_text(encoding="utf-8"))
    whole["unit"] = str(BENCH.parent.resolve() / "units")
    keep = {*needed, "supply"} | ({"interferer"} if "interferer" in named[1] else set())

    def bench_of(entries: set[str]) -> Path:
        file = tmp_path / "bench.yaml"
        instruments = {key: entry for key, entry in whole["instruments"].items() if key in entries}
        file.write_text(yaml.safe_dump({**whole, "instruments": instruments}), encoding="utf-8")
        return file

    assert _plan(tmp_path, example, bench_of(keep)).steps
    for role in needed:
        with pytest.raises(FileProblems, match=role):
            _plan(
                tmp_path,
                example,
                bench_of(keep - {role} - ({"interferer"} if role == "signal_generator" else set())),
            )


RANGE = re.compile(r"^(-?[\d.]+(?:e-?\d+)?) ?(\w*|%) to (-?[\d.]+(?:e-?\d+)?) ?(\w*|%)$")


@pytest.mark.parametrize("name", SHIPPED)
def test_an_allowed_range_is_the_reader_s(checks: dict[str, str], name: str) -> None:
    """The ends on the page are accepted, and what lies a tenth beyond either is refused at that setting."""
    items = yaml.safe_load(_example(checks[name]))

    def complaint(key: str, written: Any) -> str:
        item = {**items[0], key: written}
        try:
            settings_of(yaml.safe_dump([item]), name)
        except FileProblems as problems:
            return str(problems)
        return ""

    for key, row in _rows(checks[name]).items():
        match = RANGE.match(row[4])
        if match is None or "." in key:
            continue
        low, low_unit, high, high_unit = float(match[1]), match[2] or match[4], float(match[3]), match[4]
        many = row[1].startswith("list")
        whole = row[1].startswith("whole number")

        def written(figure: float, unit: str, many: bool = many, whole: bool = whole) -> Any:
            one: Any = (round(figure) if whole else figure) if not unit else f"{figure:g} {unit}"
            return [one] if many else one

        for figure, unit in ((low, low_unit), (high, high_unit)):
            assert row[4] not in complaint(key, written(figure, unit)), (name, key, figure)
        beyond = high + max(1.0, 0.1 * abs(high)) if whole else high + 0.1 * abs(high)
        assert complaint(key, written(beyond, high_unit)) != "", (name, key, beyond)
        below = low - 1.0 if whole or low == 0.0 else low - 0.1 * abs(low)
        assert complaint(key, written(below, low_unit)) != "", (name, key, below)


def test_the_entries_on_the_page_make_a_bench(tmp_path: Path) -> None:
    """The entry shown for each role, put together, is a bench file that the engine reads."""
    sections = _sections((DOCS / "roles.md").read_text(encoding="utf-8"))
    instruments: dict[str, Any] = {}
    for role in PROFILED:
        (block,) = re.findall(r"```yaml\n(.*?)```", sections[role], re.DOTALL)
        instruments |= yaml.safe_load(block)["instruments"]
    text = yaml.safe_dump({"bench": "Put together", "instruments": instruments})
    (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
    assert load_bench(str(tmp_path / "bench.yaml")).bench.roles == frozenset(PROFILED)


def test_a_package_s_check_stands_on_the_page_with_its_example(tmp_path: Path) -> None:
    """The command prints what is installed: a package's check with its settings, and with its example where it lays one beside it."""
    _package(tmp_path)
    printed = _sequencer(tmp_path, "reference", "checks")
    assert printed.returncode == 0, printed.stderr
    section = _sections(printed.stdout)["noise_floor"]
    assert "Somebody's own." in section
    assert _rows(section)["floor"][1:] == ["number", "–", "`-130`", "–", "A figure."]
    package = tmp_path / "own_checks"
    (package / "examples").mkdir(parents=True)
    (package / "__init__.py").write_text("", encoding="utf-8")
    (tmp_path / "own_check.py").rename(package / "floor.py")
    (package / "examples" / "noise_floor.yaml").write_text(
        "- check: noise_floor\n  floor: -120\n", encoding="utf-8"
    )
    entry = tmp_path / "own_check-1.0.dist-info" / "entry_points.txt"
    entry.write_text("[sequencer.checks]\nnoise_floor = own_checks.floor:NoiseFloor\n", encoding="utf-8")
    section = _sections(_sequencer(tmp_path, "reference", "checks").stdout)["noise_floor"]
    assert "- check: noise_floor" in _example(section)
    assert "`noise floor` (dBm)" in section


def test_a_package_s_wrong_example_is_complained_of(tmp_path: Path) -> None:
    """An example that no sequence could hold is refused with its place, and there is no traceback."""
    _package(tmp_path, entry="noise_floor = own_checks.floor:NoiseFloor")
    package = tmp_path / "own_checks"
    (package / "examples").mkdir(parents=True)
    (package / "__init__.py").write_text("", encoding="utf-8")
    (tmp_path / "own_check.py").rename(package / "floor.py")
    (package / "examples" / "noise_floor.yaml").write_text(
        "- check: noise_floor\n  flor: -120\n", encoding="utf-8"
    )
    printed = _sequencer(tmp_path, "reference", "checks")
    assert printed.returncode == 2
    assert "noise_floor.yaml" in printed.stderr
    assert "did you mean 'floor'?" in printed.stderr
    assert "Traceback" not in printed.stderr


def test_every_page_in_the_folder_is_listed_and_every_listed_page_is_there() -> None:
    """No page is shipped that nobody can find, and none is promised that is not there; each begins with its heading."""
    assert {f"{name}.md" for name in NAMES} == {path.name for path in DOCS.glob("*.md")}
    for name in NAMES:
        assert (DOCS / f"{name}.md").read_text(encoding="utf-8").startswith("# "), name


def test_the_command_lists_prints_or_writes_them_all(tmp_path: Path) -> None:
    """Without a name every page is listed with its heading; a name prints it; `--into` writes all, pictures included."""
    listed = CliRunner().invoke(main, ["reference"]).stdout
    for name, title in page_titles().items():
        assert re.search(rf"^{name} +{re.escape(title)}$", listed, re.MULTILINE), name
    assert CliRunner().invoke(main, ["reference", "roles"]).stdout == page_text("roles")
    for name in WRITTEN:
        assert CliRunner().invoke(main, ["reference", name]).stdout == (DOCS / f"{name}.md").read_text(
            "utf-8"
        )
    done = CliRunner().invoke(main, ["reference", "--into", str(tmp_path / "new")])
    assert done.exit_code == 0
    assert {path.name for path in (tmp_path / "new").iterdir()} == {path.name for path in DOCS.iterdir()}


def test_an_unknown_page_names_the_nearest() -> None:
    """A misspelt page ends with status 2, the pages there are, and the one that was probably meant."""
    done = CliRunner().invoke(main, ["reference", "first-bensh"])
    assert done.exit_code == 2
    assert "no such reference page" in done.stderr
    assert "did you mean 'first-bench'?" in done.stderr


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    """A file in the folder's place ends with status 2 and says so."""
    (tmp_path / "docs").write_text("", encoding="utf-8")
    done = CliRunner().invoke(main, ["reference", "--into", str(tmp_path / "docs" / "deep")])
    assert done.exit_code == 2
    assert "cannot be written" in done.stderr
