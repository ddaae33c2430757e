"""A bench file that leaves accuracies out: `validate` says which, the screen marks the results, and old budgets read as before."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.inputs.bench_parts.loss_table import load_table, table_text
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.doubts.unstated import unstated_keys
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.budget_rows import stored, table
from sequencer.results.stored_budget import budget_as_plain, stored_budget
from sequencer.uncertainty.budget import Budget, Contribution

SEQUENCE = """\
sequence: S
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_power: 4.5 W
checks:
  - {check: carrier_power, channel: 20, limit: {max: 4 W}}
  - {check: sensitivity, channel: 20}
"""
BARE: dict[str, Any] = {
    "instruments": {"supply": {"accuracy": None}, "power_meter": {"vswr": None}},
    "paths": {"receive": {"uncertainty": None}},
}
KEYS = {
    "instruments.power_meter.vswr": ("carrier_power",),
    "instruments.supply.accuracy.voltage": ("carrier_power",),
    "paths.receive.uncertainty": ("sensitivity",),
}


def test_a_plan_says_which_key_each_check_lacks(
    bench_file: Callable[..., Path], sequence_file: Callable[..., Path]
) -> None:
    """Each key that is left out is named once, with the checks that need it; the shipped benches leave none out."""
    sequence = load_sequence(str(sequence_file(SEQUENCE)))
    assert unstated_keys(make_plan(sequence, load_bench(str(bench_file(**BARE))))) == KEYS
    for bench in ("bench", "two-signal-bench"):
        assert unstated_keys(make_plan(sequence, load_bench(bench))) == {}


def test_validate_warns_and_still_says_yes(
    bench_file: Callable[..., Path], sequence_file: Callable[..., Path]
) -> None:
    """What is not stated is a warning, not an error: exit status 0, the keys in words and in JSON."""
    words = ["validate", str(sequence_file(SEQUENCE)), "--bench", str(bench_file(**BARE))]
    said = CliRunner().invoke(main, words)
    assert said.exit_code == 0
    assert "warning: the bench file does not state these" in said.output
    for key, checks in KEYS.items():
        assert f"{key}: {', '.join(checks)}" in said.output
    told = json.loads(CliRunner().invoke(main, [*words, "--json"]).output)
    assert told["valid"] is True
    assert told["unstated"] == {key: list(checks) for key, checks in KEYS.items()}


def test_a_run_says_not_stated_on_screen_in_json_and_in_the_store(
    bench_file: Callable[..., Path], sequence_file: Callable[..., Path], tmp_path: Path
) -> None:
    """The value stands with "± not stated" and a note that names the keys; CSV, JSON and store have no number for U."""
    words = ["run", str(sequence_file(SEQUENCE)), "--bench", str(bench_file(**BARE))]
    words += ["--serial", "M40-0007", "--confirmed", "--folder", str(tmp_path)]
    said = CliRunner().invoke(main, words, env={"COLUMNS": "120"})
    assert said.exit_code == 0, said.output
    assert "± not stated" in said.output
    assert "instruments.power_meter.vswr" in said.output.replace("\n", "").replace("  ", "")
    listed = CliRunner().invoke(main, ["results", "last", "--folder", str(tmp_path), "--json"])
    told = json.loads(listed.output)
    row = next(one for one in told["results"] if one["check"] == "carrier_power")
    assert row["uncertainty"] is None
    assert row["budget"]["expanded"] is None
    assert row["budget"]["unstated"] == [
        "instruments.power_meter.vswr",
        "instruments.supply.accuracy.voltage",
    ]
    budget = CliRunner().invoke(main, ["results", "last", "--folder", str(tmp_path), "--budget"])
    assert "expanded uncertainty: not stated" in budget.output
    page = tmp_path / "report.html"
    made = CliRunner().invoke(main, ["report", "last", str(page), "--folder", str(tmp_path)])
    assert made.exit_code == 0, made.output
    text = page.read_text(encoding="utf-8")
    assert "± not stated" in text
    assert (
        "expanded uncertainty not stated; not stated in the bench file: instruments.power_meter.vswr" in text
    )


def test_a_bench_file_that_overrules_its_table_is_said_so(
    bench_file: Callable[..., Path], sequence_file: Callable[..., Path]
) -> None:
    """A table of 0.243 dB holds where the bench file states nothing; 0.1 dB stated there holds against it, and validate says so."""
    content = {27e6: (0.42, 0.243 - 5e-5)}
    text = table_text(title="receive", day=_today(), simulated=True, run="", instruments={}, losses=content)
    outcomes = {}
    for stated in (None, "0.1 dB"):
        bench = bench_file(paths={"receive": {"loss": "table.yaml", "uncertainty": stated}})
        (bench.parent / "table.yaml").write_text(text, encoding="utf-8")
        path = load_bench(str(bench)).bench.paths.receive
        assert path is not None
        said = CliRunner().invoke(main, ["validate", str(sequence_file(SEQUENCE)), "--bench", str(bench)])
        outcomes[stated] = (path.uncertainty_db, "not 0.243 dB as the table does" in said.output)
    assert outcomes == {None: (pytest.approx(0.243), False), "0.1 dB": (0.1, True)}


def _today() -> Any:
    from datetime import datetime

    return datetime.now().astimezone().date()


def test_a_table_without_uncertainties_leaves_the_path_without_one(tmp_path: Path) -> None:
    """Measured on a bench that does not state what the loss rests on, a table states none, and neither does the path."""
    text = table_text(
        title="receive", day=_today(), simulated=False, run="", instruments={}, losses={27e6: (0.42, None)}
    )
    assert "uncertainty" not in text
    file = tmp_path / "table.yaml"
    file.write_text(text, encoding="utf-8")
    assert load_table(file).table.uncertainty_db is None


def test_budgets_stored_before_there_were_keys_read_as_before() -> None:
    """A stored budget without `unstated` and `keys` is read: U is what it was, and what it did not state is not known."""
    budget = Budget(
        quantity="power",
        unit="W",
        value=4.0,
        contributions=(
            Contribution.normal("meter", 0.05, unit="W", keys=("instruments.power_meter.accuracy.power",)),
        ),
    )
    plain = budget_as_plain(stored(budget))
    assert stored_budget(plain) == stored(budget)
    del plain["unstated"], plain["contributions"][0]["keys"]
    old = stored_budget(plain)
    assert old.expanded == pytest.approx(0.1, rel=1e-4)
    assert "not stated" not in table(old)
