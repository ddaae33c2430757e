"""Two batches beside each other: what was moved on purpose is found, and the rest is not."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.store.store import Store
from tests.support.batch_store import BATCH, a_run, power_row


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three weeks of 40 units: the third gives 0.15 W more and fails every fourth unit."""
    folder, chance = tmp_path_factory.mktemp("weeks"), random.Random(5)
    with Store.open(folder / "results.sqlite") as store:
        for week, shift in ((1, 0.0), (2, 0.0), (3, 0.15)):
            batch = replace(BATCH, batch=f"Week {week}")
            for number in range(40):
                fails = week == 3 and number % 4 == 0
                run = a_run(
                    week * 100 + number, f"M40-{week}{number:03}", batch=batch.batch, status=int(fails)
                )
                store.write_run(run, batch=batch)
                value = 4.2 if fails else 3.5 + shift + chance.gauss(0.0, 0.1)
                store.write_check(run.run, 0, [power_row(run, value)], [])
    return folder


def _against(folder: Path, *words: str) -> str:
    done = CliRunner().invoke(main, ["batch", *words, "--folder", str(folder)])
    assert done.exit_code == 0, done.output
    return done.stdout


def test_weeks_that_are_alike_are_called_so(folder: Path) -> None:
    """Of one population: neither yield nor mean has moved (the units' seed is fixed)."""
    said = _against(folder, "Week 2", "--against", "Week 1")
    assert "no difference of the yields is seen (so far apart by chance: 1;" in said
    assert "No mean has moved" in said


def test_a_week_that_moved_is_found(folder: Path) -> None:
    """The mean by about what was put in (0.15 W, and a quarter of the units at 4.2 W), and the yield."""
    plain = json.loads(_against(folder, "Week 3", "--against", "Week 1", "--json"))
    (power,) = plain["quantities"]
    expected = 0.75 * 0.15 + 0.25 * 0.7
    assert power["moved"] is True
    assert abs(power["difference"] - expected) < power["expanded"]
    assert [one["count"] for one in plain["first_pass"]] == [40, 30]
    assert plain["alike_by_chance"] < 0.01
    assert "the yields differ" in _against(folder, "Week 3", "--against", "Week 1")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("Week 1", "--against", "Week 1"), "a batch is laid beside itself"),
        (("Week 1", "--against", "Week 9"), "no batch 'Week 9' in this store"),
        (("--against", "Week 1"), "it is of one batch"),
        (("Week 2", "--against", "Week 1", "--csv"), "it is of one batch"),
    ],
)
def test_what_cannot_be_laid_beside_is_refused(folder: Path, words: tuple[str, ...], said: str) -> None:
    """Status 2, and what would do."""
    done = CliRunner().invoke(main, ["batch", *words, "--folder", str(folder)])
    assert (done.exit_code, said in done.output) == (2, True), done.output
