"""What a rule costs by the spread of a batch: truth known, the measuring's own scatter taken off, and said where nothing follows."""

from __future__ import annotations

import json
import statistics
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.store.store import Store
from sequencer.statistics.risk import normal_risk
from tests.support.batch_store import BATCH, POWER, a_run, power_row


def _written(folder: Path, values: list[float]) -> Path:
    folder.mkdir(exist_ok=True)
    with Store.open(folder / "results.sqlite") as store:
        for at, value in enumerate(values):
            run = a_run(at, f"M40-{at:04}")
            store.write_run(run, batch=BATCH)
            store.write_check(run.run, 0, [power_row(run, value, budget=None)], [])
            store.write_end(run.run, outcome="done", bench_safe=True, bench_s=60.0, status=0)
    return folder


def _call(folder: Path, *words: str) -> Any:
    return CliRunner(env={"COLUMNS": "92"}).invoke(main, ["risk", *words, "--folder", str(folder)])


@pytest.fixture(scope="module")
def values() -> list[float]:
    """Return what 60 units measure: true values normal, 3.7 W with 0.12 W, and an error of their own of 0.05 W (U 0.1 W)."""
    random = np.random.default_rng(4)
    return list(random.normal(3.7, 0.12, 60) + random.normal(0.0, 0.05, 60))


@pytest.fixture(scope="module")
def batch(tmp_path_factory: pytest.TempPathFactory, values: list[float]) -> Path:
    """Return the folder of a store with such a batch."""
    return _written(tmp_path_factory.mktemp("risk") / "results", values)


def test_the_spread_of_the_true_values_is_found_and_the_risks_follow(
    batch: Path, values: list[float]
) -> None:
    """By hand: variance of the values less (U / 2) squared; the risks by JCGM 106's integral, tested against its examples elsewhere."""
    shown = _call(batch, "--batch", "Week 1", "--false-accept", "0.05 %", "--json")
    assert shown.exit_code == 0, shown.output
    (told,) = json.loads(shown.output)["quantities"]
    spread = (statistics.variance(values) - 0.05**2) ** 0.5
    assert told["spread"] == pytest.approx(spread, rel=1e-9)
    assert spread == pytest.approx(0.12, rel=0.2)  # the truth, as far as 60 units tell it
    assert (told["units"], told["lower_limit"], told["upper_limit"]) == (60, 3.0, 4.0)
    simple = normal_risk(statistics.fmean(values), spread, 0.05, POWER)
    assert told["rules"][0]["false_accept"] == pytest.approx(simple.false_accept)
    assert told["rules"][0]["within"]["false_accept"][0] < simple.false_accept
    assert told["rules"][2]["false_accept"] == pytest.approx(0.0005, rel=1e-6)


def test_it_is_shown_with_what_it_rests_on(batch: Path) -> None:
    """A table for each quantity, and what is in none of the figures."""
    shown = _call(batch, "--batch", "Week 1", "--check", "carrier_power")
    assert shown.exit_code == 0
    assert "carrier_power: carrier power" in shown.output
    assert "the measuring's own scatter, 0.05, is taken off" in shown.output
    assert "come from 60 units" in shown.output
    assert "An error that all units share" in shown.output


def test_where_nothing_follows_it_is_said(tmp_path: Path) -> None:
    """Four units; and units that spread no more than the measuring does."""
    few = _call(_written(tmp_path / "few", [3.6, 3.7, 3.8, 3.7]), "--batch", "Week 1")
    assert few.exit_code == 0
    assert "nothing can be said: 4 values; 5 or more are needed" in " ".join(few.output.split())
    alike = _call(_written(tmp_path / "alike", [3.70, 3.71, 3.70, 3.71, 3.70, 3.71]), "--batch", "Week 1")
    assert "the values spread no more than the measuring does by itself" in " ".join(alike.output.split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--batch", "Wek 1"), "Week 1"),
        (("--batch", "Week 1", "--check", "carier_power"), "did you mean 'carrier_power'?"),
        (("--batch", "Week 1", "--mean", "3 W"), "--mean: the batch says it"),
        (("--check", "carrier_power"), "--check: it is of a batch"),
    ],
)
def test_wrong_words_are_refused(batch: Path, words: tuple[str, ...], said: str) -> None:
    """Status 2."""
    shown = _call(batch, *words)
    assert shown.exit_code == 2
    assert said in shown.output
