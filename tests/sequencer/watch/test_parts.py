"""The queue on the page, paging, and the pages over a store in a server."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.bench_now import BenchNow, Doing, Worked
from sequencer.results.queue.seen import BenchSeen, JobSeen, QueueSeen, Refused
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from sequencer.watch import parts
from sequencer.watch.benches import bench_views
from sequencer.watch.runs import runs_page
from sequencer.watch.signs import Signs
from tests.support.stored_results import RUN, a_result
from tests.support.watching import served

NOW = datetime(2027, 1, 2, tzinfo=UTC)
SCRIPT = "<script>alert(1)</script>"


def _job(number: int, state: str, **facts: object) -> JobSeen:
    common: dict[str, object] = {
        "serial": "M40-0007", "model": "M40", "sequence": "Quick", "needs": ("role:supply",), "priority": 0, "due": NOW, "added": NOW,
        "bench": "", "host": "", "taken": None, "lease_left_s": None, "ended": None, "is_due": True, "stop": False, "run": "",
        "status": None, "tries": 0, "said": "",
    }  # fmt: skip
    return JobSeen(id=number, state=state, **{**common, **facts})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("safe", "feels", "big", "touch"),
    [
        (True, "hot", "HOT", "WAIT AT THE CHAMBER"),
        (True, "cold", "COLD", "WAIT AT THE CHAMBER"),
        (True, "", "READY", "SAFE TO CHANGE THE UNIT"),
        (False, "hot", "NOT SAFE", "NOT SAFE"),
        (None, "hot", "READY", ""),
    ],
)
def test_a_wall_says_hot_or_cold_before_the_unit_may_be_changed(
    place: StorePlace, monkeypatch: pytest.MonkeyPatch, safe: bool | None, feels: Any, big: str, touch: str
) -> None:
    """A unit in a chamber that is hot or cold is not called safe to change; what is not safe outweighs it, and unread says nothing."""
    doing = Doing(program="line", phase="waiting", told=NOW, safe=safe, safe_why="Read back.", feels=feels)
    worked = Worked(id="a", bench="Bench 2", machine="north", process=1, station="Line 1")
    now = BenchNow(worked=worked, doing=doing, ended=False, silent_s=1.0)
    monkeypatch.setattr(
        parts, "views_now", lambda store, signs: bench_views([now], NOW.date(), lambda run: "")
    )
    with Store.open(place) as store:
        shown = parts.station_part(store, Signs(), station="Line 1", bench="")
    assert re.search(r'<p class="big[^"]*">([^<]*)</p>', shown)[1] == big  # type: ignore[index]
    assert f"<strong>{touch}" in shown
    assert ("SAFE TO CHANGE" in shown) == (safe is True and not feels)


def test_a_queue_is_shown_with_what_somebody_must_look_at(
    place: StorePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Jobs in every state; a worker that fell silent, a bench that takes none and why, and a refusal are said in words."""
    refused = Refused(bench="Bench 3", why=SCRIPT, at=NOW)
    queue = QueueSeen(
        now=NOW,
        counts={"waiting": 1, "taken": 2},
        jobs=(
            _job(7, "taken", bench="Bench 2", lease_left_s=-3.0, tries=2),
            _job(8, "taken", bench="Bench 1", lease_left_s=20.0, stop=True),
            _job(9, "waiting", refusals=(refused,)),
            _job(10, "failed", said="no bench has a spectrum analyser"),
            _job(11, "done", run="r1", ended=NOW + timedelta(minutes=1)),
        ),
        benches=(
            BenchSeen(bench="Bench 1", host="north", can=("role:supply",), seen=NOW, silent_s=1, is_there=True, lacks="", job=8),
            BenchSeen(bench="Bench 2", host="north", can=(), seen=NOW, silent_s=90, is_there=False, lacks="", job=7),
            BenchSeen(bench="Bench 3", host="west", can=(), seen=NOW, silent_s=1, is_there=True, lacks="its own check is due", job=None),
        ),
    )  # fmt: skip
    monkeypatch.setattr(parts, "read_jobs", lambda store: {"queue": queue, "why": ""})
    with Store.open(place) as store:
        shown = parts.queue_part(store)
    for words in (
        "its worker gives no sign",
        "is to stop",
        "begun 2 times",
        "no bench has a spectrum analyser",
        "Bench 3 refused it",
    ):
        assert words in shown
    for words in ("its own check is due", "no sign any more", '<a href="/run?run=r1">'):
        assert words in shown
    assert SCRIPT not in shown


def test_the_pages_are_served_over_either_kind_of_store(place: StorePlace) -> None:
    """A file and a server alike: every page that needs no more than one run, and a queue that is not there."""
    with Store.open(place) as store:
        store.write_run(RUN)
        store.write_check("r1", 0, [a_result()], [])
    with served(place) as page:
        for path in (
            "/",
            "/runs",
            "/runs?check=a_check",
            "/run?run=last",
            "/trace?run=r1",
            "/units?serial=M40",
            "/unit?serial=M40-0007",
        ):
            assert page.ask(path).status == 200, path
        for path in ("/batches", "/compare", "/station?station=x"):
            assert page.ask(path).status == 200, path
        queue = page.ask("/queue")
        assert queue.status == 200
        assert (
            "This store is a file" if place.url is None else "There is no queue beside this store"
        ) in queue.text


@pytest.mark.parametrize("limit", [10, 50])
def test_older_leads_through_every_result_and_run_once(place: StorePlace, limit: int) -> None:
    """Thirty results a run under one time, and runs that began at one moment: page by page all are listed, none twice."""
    runs = [f"r{at:02d}" for at in range(12)]
    with Store.open(place) as store:
        for name in runs:
            store.write_run(replace(RUN, run=name))
            rows = [a_result(run=name, channel=channel, time=RUN.time) for channel in range(30)]
            store.write_check(name, 0, rows, [])
        of_results, of_runs = [], []
        for kind, found in (("check=x&", of_results), ("", of_runs)):
            asked = f"/runs?{kind}limit={limit if kind else 5}"
            while asked:
                page = runs_page(store, asked.partition("?")[2].encode())
                found += [(row.run, row.channel) if kind else row.run.run for row in page["rows"]]
                asked = page["older"]
    assert sorted(of_results) == [(name, channel) for name in runs for channel in range(30)]
    assert sorted(of_runs) == runs


def test_a_run_whose_bench_was_not_confirmed_safe_says_so_first(tmp_path: Path) -> None:
    """On its page with the supply sentence, before all else; by `results` in the list and of the run, which is marked as simulated."""
    path = tmp_path / "results.sqlite"
    with Store.open(path) as store:
        store.write_run(replace(RUN, serial=" ", bench="North", outcome="done", bench_safe=False))
        store.write_check("r1", 0, [a_result(serial=" ")], [])
    with served(StorePlace(path=path)) as page:
        text = page.ask("/run?run=r1").text
        assert text.index("NOT SAFE: after this run") < text.index("<h1")
        assert "Remove the supply from the unit now" in text
        for path_of in ("/runs?decision=pass&check=x", "/runs", "/units", "/run?run=r1"):
            listed = page.ask(path_of)
            assert listed.status == 200
            assert 'href="/unit?' not in listed.text  # a blank serial leads nowhere
        folded = page.ask("/runs?decision=pass&check=x").text
        assert "<details><summary>Filters: check x; decision pass</summary>" in folded
    for given, words in (
        (("results", "--check", "x"), "simulated, no measurement of a real unit: all of the results"),
        (("results",), "done, bench not confirmed safe: 1 pass"),
        (("results",), "North (simulated)"),
        (("results", "r1"), "outcome: done, bench not confirmed safe"),
    ):
        shown = CliRunner().invoke(main, (*given, "--folder", str(tmp_path)))
        assert shown.exit_code == 0
        assert words in shown.output
