"""What a command imports: of libraries and of checks only what it needs. How long that takes is shown by the benchmark."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

import pytest

from sequencer.checks import SHIPPED

TOP = Path(__file__).parents[2]
SEQUENCE = """
sequence: Short
channels: plans/cept-40.yaml
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20}
  - {check: sensitivity, channel: 20}
"""
_CODE = """
import json, sys
from sequencer.cli.main import main
try:
    main(standalone_mode=False)
except SystemExit:
    pass
print("\\n" + json.dumps(sorted(sys.modules)))
"""


def _imported(folder: Path, *words: str) -> set[str]:
    (folder / "s.yaml").write_text(SEQUENCE, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, {str(TOP)!r})\n{_CODE}", *words],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_validate_imports_no_library_that_only_measuring_or_storing_needs(tmp_path: Path) -> None:
    """Proving a plan is text and plain arithmetic: no samples, no store, no table on the screen, no instrument library."""
    imported = _imported(tmp_path, "validate", "s.yaml", "--bench", "bench")
    assert "sequencer.planning.plan" in imported
    heavy = {
        "numpy",
        "scipy",
        "sqlalchemy",
        "alembic",
        "rich",
        "matplotlib",
        "pyvisa",
        "jinja2",
        "difflib",
    }
    assert imported & heavy == set()


def test_of_the_checks_only_those_are_imported_that_the_sequence_names(tmp_path: Path) -> None:
    """Beside them the two that the plan itself knows."""
    imported = _imported(tmp_path, "validate", "s.yaml", "--bench", "bench")
    modules = {place.partition(":")[0] for place in SHIPPED.values()}
    named = {
        f"sequencer.checks.{name}"
        for name in ("transmit.carrier_power", "receive.sensitivity", "unit.confirm", "unit.enter_reading")
    }
    assert imported & modules == named


def test_a_command_does_not_import_what_declares_the_others(tmp_path: Path) -> None:
    """What a command takes is declared in modules of its own room: they are imported when it is asked for."""
    imported = _imported(tmp_path, "results", "--help")
    assert "sequencer.cli.looking_back.commands" in imported
    others = {"setting_up.new_options", "setting_up.commands", "statistics.commands", "station.options"}
    assert imported & {f"sequencer.cli.{other}" for other in others} == set()


def test_models_that_validate_reads_by_have_annotations_that_are_values(tmp_path: Path) -> None:
    """As texts each is compiled and evaluated by pydantic once more, which was a fortieth of `validate`: such a module goes without
    ``from __future__ import annotations``.
    """
    imported = sorted(name for name in _imported(tmp_path, "validate", "s.yaml", "--bench", "bench"))
    rooms = ("sequencer.inputs.", "sequencer.checks.", "sequencer.planning.")
    models = [
        name
        for name in imported
        if name.startswith(rooms)
        and (spec := find_spec(name)) is not None
        and _has_models(Path(str(spec.origin)))
    ]
    assert len(models) > 15
    as_texts = [name for name in models if "annotations" in vars(import_module(name))]
    assert 10 * len(as_texts) <= len(models), as_texts  # what few of them cost is not seen


def _has_models(path: Path) -> bool:
    classes = [
        node for node in ast.parse(path.read_text(encoding="utf-8")).body if isinstance(node, ast.ClassDef)
    ]
    bases = {base.id for node in classes for base in node.bases if isinstance(base, ast.Name)}
    return any(
        base == "FileModel" or base.endswith(("Settings", "SettingsBase", "Instrument", "Linked"))
        for base in bases
    )


@pytest.mark.parametrize("command", [("--help",), ("run", "--help"), ("--version",)])
def test_help_imports_nothing_of_the_engine(command: tuple[str, ...], tmp_path: Path) -> None:
    """Click alone answers."""
    imported = _imported(tmp_path, *command)
    assert {name for name in imported if name.startswith("sequencer.")} <= {
        "sequencer.cli",
        "sequencer.cli.benches",
        "sequencer.cli.benches.options",
        "sequencer.cli.check_bench_options",
        "sequencer.cli.fleet",
        "sequencer.cli.fleet.options",
        "sequencer.cli.common",
        "sequencer.cli.looking_back",
        "sequencer.cli.setting_up",
        "sequencer.cli.setting_up.channels_options",
        "sequencer.cli.setting_up.commands",
        "sequencer.cli.common.complete",
        "sequencer.cli.common.line_options",
        "sequencer.cli.main",
        "sequencer.cli.common.options",
        "sequencer.cli.common.outlet",  # of the standard library alone
        "sequencer.cli.setting_up.new_options",
        "sequencer.cli.common.program",
        "sequencer.cli.looking_back.batch_options",
        "sequencer.cli.looking_back.commands",
        "sequencer.cli.looking_back.report_options",
        "sequencer.cli.looking_back.store_options",
        "sequencer.cli.looking_back.trace_options",
        "sequencer.cli.statistics",
        "sequencer.cli.statistics.commands",
        "sequencer.cli.station",
        "sequencer.cli.station.asked",  # of the standard library alone
        "sequencer.cli.station.options",
        "sequencer.cli.unattended",
        "sequencer.cli.unattended.options",
        "sequencer.cli.watch_options",
        "sequencer.problems",
        "sequencer.run",
        "sequencer.run.interrupt",  # of the standard library alone
    }
    assert "pydantic" not in imported


def test_a_run_imports_only_what_it_needs(tmp_path: Path) -> None:
    """A simulated run needs the simulation and the screen, but no plots, no page, no special functions, no other database.

    Only the first run in a folder makes tables, for which SQLAlchemy is imported; the next writes to them without.
    """
    words = ("run", "s.yaml", "--bench", "bench", "--serial", "M40-0007", "--confirmed", "--folder", "r")
    first = _imported(tmp_path, *words)
    assert {"numpy", "sqlalchemy", "rich"} <= first
    others = {"matplotlib", "jinja2", "alembic", "scipy", "psycopg", "sqlalchemy.dialects.postgresql"}
    others |= {"difflib", "rich._emoji_codes", "numpy.polynomial", "sim.instruments.spectrum_analyser"}
    assert first & others == set()
    assert _imported(tmp_path, *words) & {*others, "sqlalchemy"} == set()


def test_a_command_s_process_ends_without_looking_through_all_it_holds(tmp_path: Path) -> None:
    """What stands in memory is given back as a whole: the interpreter's last search for circles finds nothing to look at."""
    code = (
        f"import atexit, gc, sys; sys.path.insert(0, {str(TOP)!r})\n"
        "atexit.register(lambda: print(len(gc.get_objects()), file=sys.stderr))\n"
        "from sequencer.cli.main import main\n"
        "main()\n"
    )
    (tmp_path / "s.yaml").write_text(SEQUENCE, encoding="utf-8")
    words = [sys.executable, "-c", code, "validate", "s.yaml", "--bench", "bench"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=True)
    assert int(done.stderr.splitlines()[-1]) < 1000
