"""A loss table that ends before the channel: what is taken from its end is said, and has no uncertainty that nobody looked up."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from sequencer.cli.main import main
from sequencer.inputs.load_bench import load_bench

SHORT = {
    "1.8 MHz: 0.42 dB, 27 MHz: 0.42 dB, 28 MHz: 0.43 dB, 175 MHz: 0.43 dB": "27 MHz: 0.42 dB",
    "1.8 MHz: 30.1 dB, 175 MHz: 30.1 dB": "27 MHz: 30.1 dB",
}
SEQUENCE = """\
sequence: Beyond
channels: plans/{plan}
mode: FM
decision_rule: guarded
supply: {supply}
checks:
  - {{check: carrier_power, channel: {channel}, limit: {{min: 0.5 W, max: 9 W}}}}
  - {{check: frequency_error, channel: {channel}, limit: {{within: 3 kHz}}}}
  - {{check: sensitivity, channel: {channel}, limit: {{max: -60 dBm}}}}
"""
BENCH = load_bench("bench").path
NOTE = "path loss taken from 27 MHz, the table ends there"


def _call(*words: str) -> Result:
    return CliRunner(env={"COLUMNS": "100", "NO_COLOR": "1"}).invoke(main, words)


def _write(folder: Path, plan: str, channel: int, supply: str) -> None:
    """Write a sequence, and a bench whose losses are known at 27 MHz alone."""
    text = BENCH.read_text(encoding="utf-8")
    for old, new in SHORT.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "short.yaml").write_text(
        text.replace("unit: units", f"unit: {BENCH.parent / 'units'}"), "utf-8"
    )
    (folder / "beyond.yaml").write_text(SEQUENCE.format(plan=plan, channel=channel, supply=supply), "utf-8")


def _made(folder: Path, plan: str, channel: int, supply: str) -> tuple[Result, Result]:
    """Return what `validate` and `run` say of it."""
    _write(folder, plan, channel, supply)
    of = ("beyond.yaml", "--bench", "short.yaml", "--serial", "UNIT-1")
    return _call("validate", *of), _call("run", *of, "--dry-run", "--json")


@pytest.fixture(scope="module")
def vhf(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Result]:
    """Validate and run at 158 MHz."""
    folder = tmp_path_factory.mktemp("vhf")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        return _made(folder, "vhf-workshop.yaml", 5, "7.4 V")


def _rows(ran: Result) -> dict[str, dict[str, Any]]:
    return {row["check"]: row for row in json.loads(ran.stdout)["results"]}


def test_each_result_it_touches_says_so_and_has_no_uncertainty(vhf: tuple[Result, Result]) -> None:
    """A power and a level at 158 MHz by a loss of 27 MHz pass conditionally at best; a frequency has no loss in it."""
    ran = vhf[1]
    assert ran.exit_code == 0, ran.output
    rows = _rows(ran)
    for check, name in (("carrier_power", "transmit"), ("sensitivity", "receive")):
        assert rows[check]["uncertainty"] is None
        assert rows[check]["decision"] == "conditional pass"
        assert NOTE in rows[check]["note"]
        assert f"the bench file lacks paths.{name}.loss above 27 MHz" in rows[check]["note"]
    assert rows["frequency_error"]["uncertainty"] is not None
    assert NOTE not in rows["frequency_error"]["note"]
    said = "All limits met, 2 of 3 only conditionally (uncertainty not stated)."
    assert json.loads(ran.stdout)["verdict"] == said


def test_it_is_said_before_anything_is_measured(vhf: tuple[Result, Result]) -> None:
    """By `validate` and as the run begins, with what to do about it."""
    checked, ran = vhf
    assert checked.exit_code == 0
    for said in (checked.stdout, ran.stderr):
        for name in ("receive", "transmit"):
            assert (
                f"note: loss of the {name} path taken from 27 MHz, the table ends there, for 158.0125 MHz"
                in said
            )
        assert "measure the loss there too" in said
    assert "paths.receive.loss above 27 MHz: sensitivity" in checked.stdout


def test_a_station_says_it_as_a_unit_begins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody looks at a run's start there: it stands with the unit that is measured."""
    monkeypatch.chdir(tmp_path)
    _write(tmp_path, "vhf-workshop.yaml", 5, "7.4 V")
    words = ("line", "beyond.yaml", "--bench", "short.yaml", "--dry-run")
    ran = CliRunner(env={"COLUMNS": "100", "NO_COLOR": "1"}).invoke(main, words, input="UNIT-1\n")
    assert ran.exit_code == 0, ran.output
    assert "note: loss of the receive path taken from 27 MHz" in ran.output
    assert "UNIT-1 V5: PASS" in ran.output
    assert "All limits met, 2 of 3 only conditionally (uncertainty not stated)." in ran.output


def test_within_the_band_of_its_one_point_nothing_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """27.405 MHz by a loss of 27 MHz: the uncertainty is that of the bench file."""
    monkeypatch.chdir(tmp_path)
    checked, ran = _made(tmp_path, "cept-40.yaml", 40, "13.2 V")
    assert checked.exit_code == ran.exit_code == 0, ran.output
    assert "the table ends there" not in checked.output + ran.output
    assert all(row["uncertainty"] is not None for row in _rows(ran).values())


def test_a_sweep_is_looked_at_on_each_of_its_channels(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The table reaches the channel that the sweep begins on, and not the others."""
    monkeypatch.chdir(tmp_path)
    text = BENCH.read_text(encoding="utf-8")
    old = "{1.8 MHz: 30.1 dB, 175 MHz: 30.1 dB}"
    assert old in text
    text = text.replace(old, "{149 MHz: 30.1 dB, 153 MHz: 30.1 dB}")
    (tmp_path / "short.yaml").write_text(
        text.replace("unit: units", f"unit: {BENCH.parent / 'units'}"), "utf-8"
    )
    sweep = "sequence: S\nchannels: plans/vhf-workshop.yaml\nmode: FM\nsupply: 7.4 V\nchecks: [{check: channel_sweep}]\n"
    (tmp_path / "sweep.yaml").write_text(sweep, "utf-8")
    checked = _call("validate", "sweep.yaml", "--bench", "short.yaml", "--serial", "V5-0301", "--json")
    assert checked.exit_code == 0, checked.output
    (said,) = json.loads(checked.stdout)["loss_beyond_table"]
    assert "from 153 MHz, the table ends there, for 161.1125 MHz" in said


def test_the_bench_s_own_check_is_refused_where_nothing_is_known_of_its_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A single loss at 27 MHz says nothing of 145 MHz, and holds at 27.5 MHz."""
    monkeypatch.chdir(tmp_path)
    own = BENCH.parent / "self-checking-bench.yaml"
    text = own.read_text(encoding="utf-8")
    old = "check: {loss: {27 MHz: 0.8 dB, 28 MHz: 0.82 dB}"
    assert old in text
    text = text.replace(old, "check: {loss: {27 MHz: 0.8 dB}")
    (tmp_path / "own.yaml").write_text(
        text.replace("unit: units", f"unit: {BENCH.parent / 'units'}"), "utf-8"
    )
    for frequency, status in (("27.5 MHz", 0), ("145 MHz", 2)):
        check = (
            f"sequence: S\nchecks: [{{check: bench_check, frequencies: [{frequency}], levels: [-10 dBm]}}]\n"
        )
        (tmp_path / "own-sequence.yaml").write_text(check, "utf-8")
        checked = _call("validate", "own-sequence.yaml", "--bench", "own.yaml")
        assert checked.exit_code == status, checked.output
    assert "145 MHz is beyond where the loss of the check path is stated" in checked.output
    assert "at most 5 % from 27 MHz" in checked.output
