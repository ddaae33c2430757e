"""A run in the quickest order finds what the run as written finds, sooner, and hands it over in the order of the file."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store

SERIAL = "M40-0014"
"""A unit whose power falls as its output stage warms: a wrong order would show in its readings first."""


def _run(folder: Path, order: str) -> dict[str, Any]:
    words = ["run", "fm-mobile-acceptance", "--bench", "sim/bench.yaml", "--serial", SERIAL, "--confirmed"]
    ran = CliRunner().invoke(main, [*words, "--order", order, "--folder", str(folder), "--json"])
    found: dict[str, Any] = json.loads(ran.stdout)
    found["said"] = ran.stderr
    return found


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """The acceptance of one unit, as written and in the quickest order."""
    folder = tmp_path_factory.mktemp("orders")
    return {order: _run(folder / order, order) for order in ("written", "quickest")}


def _key(one: dict[str, Any]) -> tuple[Any, ...]:
    return one["check"], one["channel"], one["quantity"]


def test_both_orders_find_the_same(runs: dict[str, dict[str, Any]]) -> None:
    """Result by result, in the order of the file: the same decision, and values that differ by no more than U."""
    written, found = (runs[order]["results"] for order in ("written", "quickest"))
    assert [_key(one) for one in found] == [_key(one) for one in written]
    assert [one["decision"] for one in found] == [one["decision"] for one in written]
    figures = [(one, other) for one, other in zip(found, written, strict=True) if one["unit"]]
    assert len(figures) == 12
    for one, other in figures:
        assert one["value"] == pytest.approx(other["value"], abs=other["uncertainty"]), one["quantity"]
    assert runs["quickest"]["hazards"] == []


def test_the_sagging_unit_still_fails_warm_and_passes_cold(
    runs: dict[str, dict[str, Any]],
) -> None:
    """The order is not won by a stage that had cooled: it fails 3 W after 20 s of transmitting, and only then."""
    powers = [one for one in runs["quickest"]["results"] if one["check"] == "carrier_power"]
    assert [one["decision"] for one in powers] == ["pass", "pass", "pass", "fail"]


def test_the_quickest_order_is_a_fifth_quicker(runs: dict[str, dict[str, Any]]) -> None:
    """Of 63 s as written 20 s are a rest in which nothing is done, and 20 s a warm-up in which more than a warm reading can be made.

    By the bench's own virtual clock.
    """
    assert runs["quickest"]["bench_s"] < 0.8 * runs["written"]["bench_s"]
    for order in ("written", "quickest"):
        one = runs[order]
        assert one["forecast_s"] == pytest.approx(one["bench_s"], rel=0.2)


def test_table_and_store_keep_the_order_of_the_file(runs: dict[str, dict[str, Any]]) -> None:
    """The rows stand as in the file; their times say that sensitivity was measured before the frequency that stands above it."""
    one = runs["quickest"]
    written = [_key(row) for row in runs["written"]["results"]]
    with Path(one["table"]).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["check"], row["channel"], row["quantity"]) for row in rows] == [
        tuple("" if part is None else str(part) for part in key) for key in written
    ]
    with Store.open_to_read(find_place(Path(one["table"]).parent, "")) as store:
        kept = store.read_results(one["run"])
    assert [(row.check, row.channel, row.quantity) for row in kept] == written
    times = {row["check"]: row["time"] for row in rows}
    assert times["sensitivity"] < times["frequency_error"]
    assert one["kept"]["table"] == one["kept"]["store"] == len(written)


def test_the_run_says_what_was_moved_and_what_not(runs: dict[str, dict[str, Any]]) -> None:
    """Before it begins, with the steps' numbers of the file and the reasons; as written it says nothing."""
    said = runs["quickest"]["said"]
    assert "sensitivity, channel 20 (10); s9 point, channel 20 (11)" in said
    assert (
        "one key-down: carrier power, channel 20 (2); peak deviation, channel 20 (9); carrier power, channel 20 (4)"
        in said
    )
    assert "a person sets something" in said
    assert "it transmits for 20 s" in said
    assert runs["quickest"]["order"]["steps"] != list(range(12))
    assert "order:" not in runs["written"]["said"]


def test_validate_says_the_same_as_the_run(runs: dict[str, dict[str, Any]]) -> None:
    """So that the order can be read before anything is sent."""
    words = ["validate", "fm-mobile-acceptance", "--bench", "sim/bench.yaml", "--order", "quickest"]
    ran = CliRunner().invoke(main, words)
    assert ran.exit_code == 0
    orders = [line for line in ran.stdout.splitlines() if line.startswith(("order:", "  moved:", "  stays"))]
    assert len(orders) == 3
    assert all(line in runs["quickest"]["said"] for line in orders)
