"""A batch on the page says what `sequencer batch` says of it, also after what no newer run tells of has changed."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path

from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from tests.support.batch_store import BATCH, a_run, power_row, write_batch, write_unit
from tests.support.watching import Served, served

FOUR_OF_FIVE = (3.5, 3.6, 4.5, 3.7, 3.8)
"""Carrier powers of five units, W; the third is above its limit."""


def _page(page: Served) -> str:
    answer = page.ask("/batch?batch=Week+1")
    assert answer.status == 200, answer.text
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def _says(page: Served, store_name: str) -> tuple[int, int, int]:
    """Return judged, first pass and final of the command, each of which the page must say in the same words."""
    asked = ["batch", "Week 1", "--store", store_name]
    found = json.loads(CliRunner().invoke(main, [*asked, "--json"]).stdout)["yield"]
    text = CliRunner().invoke(main, asked, env={"COLUMNS": "200", "NO_COLOR": "1"}).stdout
    shown = _page(page)
    for name in ("first pass", "final"):
        (words,) = re.findall(rf"^  {name} +(.*%\))$", text, re.MULTILINE)
        assert f"{name.capitalize()} {words}" in shown
    assert f"{found['judged']} of 100 units judged" in shown
    return found["judged"], found["first_pass"]["count"], found["final"]["count"]


def test_yields_are_those_of_the_command(place: StorePlace, store_name: str) -> None:
    """Units judged, first pass and final with their intervals; and again after a unit's check was repeated."""
    with Store.open(place) as store:
        write_batch(store, FOUR_OF_FIVE)
        with served(place) as page:
            assert _says(page, store_name) == (5, 4, 4)
            write_unit(store, 9, "M40-0002", 3.9, repeats="r0002")
            assert _says(page, store_name) == (5, 4, 5)


def test_a_run_that_ends_after_a_later_one_is_counted(place: StorePlace, store_name: str) -> None:
    """Two stations: the run that began first ends last. The page that was looked at in between says so too, though no run is newer."""
    with Store.open(place) as store:
        early = a_run(1, "M40-0001", outcome="not ended", bench_safe=None, bench_s=None)
        store.write_run(early, batch=BATCH)
        write_unit(store, 2, "M40-0002", 3.5)
        with served(place) as page:
            assert _says(page, store_name)[:2] == (1, 1)
            store.write_check(early.run, 0, [power_row(early, 4.5)], [])
            store.write_end(early.run, outcome="done", bench_safe=True, bench_s=60.0, status=1)
            assert _says(page, store_name)[:2] == (2, 1)


def test_a_run_that_is_brought_in_late_is_counted(place: StorePlace, store_name: str, tmp_path: Path) -> None:
    """Its server was away: it comes in from its journal after a run that began later."""
    with Store.open(place) as store:
        write_unit(store, 5, "M40-0005", 3.5)
        with served(place) as page:
            assert _says(page, store_name) == (1, 1, 1)
            write_unit(store, 1, "M40-0001", 3.6)
            assert _says(page, store_name) == (2, 2, 2)
