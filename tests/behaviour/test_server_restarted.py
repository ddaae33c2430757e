"""A run whose PostgreSQL server is restarted under it: the bench is safe, no result is lost, and all are in the store in the end."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from sequencer.cli.main import main
from sequencer.results.csv_table import ResultsTable
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from tests.support.postgres_server import PostgresServer

SEQUENCE = """\
sequence: Four
channels: cept-40
supply: 13.2 V
share_key: no
checks:
  - {check: carrier_power, channel: 20, limit: {max: 4 W}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: supply_current, channel: 20}
  - {check: sinad, channel: 20, level: -100 dBm}
"""
CHECKS = ["carrier_power", "frequency_error", "supply_current", "sinad"]


def _call(*words: object) -> Result:
    return CliRunner().invoke(main, list(map(str, words)))


def _after_check(
    monkeypatch: pytest.MonkeyPatch,
    number: int,
    then: Callable[[], None],
    *,
    back: int,
    again: Callable[[], None],
) -> None:
    """Do something behind the table's row of check ``number``, and ``again`` behind that of check ``back``: before the store gets them."""
    write, checks = ResultsTable.write, [0]

    def written(self: ResultsTable, results: Any) -> None:
        write(self, results)
        checks[0] += bool(results)
        if results and checks[0] == number:
            then()
        elif results and checks[0] == back:
            again()

    monkeypatch.setattr(ResultsTable, "write", written)


@pytest.mark.parametrize("back", [3, 5], ids=["back before the end", "back after it"])
def test_a_server_that_is_restarted_in_mid_run_costs_no_result(
    back: int, postgres: PostgresServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped as by a crash behind the second check. Back behind the third: status 0, all in the store. Later: said, and taken in."""
    address, folder = postgres.address(), tmp_path / "results"
    (tmp_path / "four.yaml").write_text(SEQUENCE, encoding="utf-8")
    _after_check(monkeypatch, 2, postgres.stop, back=back, again=postgres.start)
    try:
        ran = _call(
            "run", tmp_path / "four.yaml", "--bench", "sim/bench.yaml", "--serial", "M40-0007",
            "--folder", folder, "--store", address,
        )  # fmt: skip
    finally:
        if back > len(CHECKS):
            postgres.start()
    assert "The bench is safe: PTT released, generator off, supply off, each read back." in ran.stderr
    (table,) = folder.glob("*.csv")
    with table.open(encoding="utf-8", newline="") as rows:
        assert list(dict.fromkeys(row["check"] for row in csv.DictReader(rows))) == CHECKS
    if back > len(CHECKS):
        assert ran.exit_code == 3, ran.output
        assert "import-kept" in ran.stderr
        taken = _call("import-kept", *folder.glob("*.journal"), "--store", address)
        assert taken.exit_code == 0, taken.output
    else:
        assert ran.exit_code == 0, ran.output
    with Store.open_to_read(find_place(folder, address)) as store:
        (run,) = store.read_runs()
        assert (run.outcome, run.bench_safe) == ("done", True)
        assert list(dict.fromkeys(row.check for row in store.read_results(run.run))) == CHECKS
        assert len(store.read_exchanges(run.run)) > 50
