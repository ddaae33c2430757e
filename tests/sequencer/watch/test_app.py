"""The pages as they come over the line: for reading only, in words where something is wrong, and nothing in them from outside as markup."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest

from sequencer.results.bench_now import Doing, Worked
from sequencer.results.line import BatchRecord
from sequencer.results.store.bench_now import BenchNowWriter
from sequencer.results.store.clear import clear_traces
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.store import Store
from sequencer.watch.guard import HEADERS, Access, names_of
from sequencer.watch.tokens import TokenFile
from tests.support.stored_results import RUN, a_result, an_exchange
from tests.support.watching import Served, served

SCRIPT = "<script>alert(1)</script>"
HOSTILE = f"M40\"'{SCRIPT}&#"
READ_ONLY = (
    "/",
    "/runs",
    "/run?run=r1",
    "/trace?run=r1",
    "/units",
    "/batches",
    "/compare",
    "/queue",
    "/events?topic=benches",
)
WHEN = datetime(2027, 1, 2, tzinfo=UTC)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> StorePlace:
    """A store whose every text is hostile."""
    found = StorePlace(path=tmp_path_factory.mktemp("watched") / "results.sqlite")
    with Store.open(found) as store:
        store.write_run(replace(RUN, outcome="done", status=0))
        store.write_check("r1", 0, [a_result()], [an_exchange(), an_exchange(SCRIPT.encode(), fault=SCRIPT)])
        batch = BatchRecord(
            batch=HOSTILE, sequence=SCRIPT, sequence_hash="a", opened=WHEN, simulated=True, stopped=SCRIPT
        )
        run = replace(
            RUN, run=HOSTILE, serial=HOSTILE, model=SCRIPT, sequence=SCRIPT, bench=SCRIPT, operator=SCRIPT, batch=HOSTILE,
            reason=SCRIPT, outcome=SCRIPT, again="r1",
        )  # fmt: skip
        store.write_run(run, batch=batch)
        store.write_check(
            HOSTILE,
            0,
            [a_result(run=HOSTILE, serial=HOSTILE, check=SCRIPT, quantity=SCRIPT, note=SCRIPT)],
            [an_exchange()],
        )
    writer = BenchNowWriter(found)
    told = Doing(
        program="line",
        phase="asking",
        told=WHEN,
        serial=HOSTILE,
        check=SCRIPT,
        notes=(SCRIPT,),
        question=(SCRIPT,),
    )
    told = replace(
        told, fault=SCRIPT, fault_at=WHEN, wrong=(SCRIPT,), counts=SCRIPT, sequence=SCRIPT, batch=SCRIPT
    )
    writer.begin(Worked(id="x", bench=SCRIPT, machine=SCRIPT, process=1, station=HOSTILE), told)
    writer.close()
    return found


@pytest.fixture(scope="module")
def page(place: StorePlace) -> Iterator[Served]:
    """Its page."""
    with served(place) as found:
        yield found


@pytest.mark.parametrize(
    "path",
    [
        "/", "/runs", "/units", "/batches", "/queue", "/runs?" + urlencode({"check": SCRIPT}), "/run?run=" + quote(HOSTILE),
        "/trace?run=r1", "/unit?" + urlencode({"serial": HOSTILE}), "/batch?" + urlencode({"batch": HOSTILE}),
        "/compare?" + urlencode([("name", HOSTILE), ("name", "r1"), ("all", "yes")]),
        "/station?" + urlencode({"station": HOSTILE}), "/run?run=" + quote(SCRIPT), "/unit?serial=" + quote(SCRIPT),
        "/" + quote(SCRIPT), "/runs?" + quote(SCRIPT) + "=1", "/sign-in?next=" + quote(f'/"{SCRIPT}'),
    ],
)  # fmt: skip
def test_a_script_in_any_text_is_text(page: Served, path: str) -> None:
    """A serial, comment, fault or address that holds markup stands on the page as it was written, and is no part of it."""
    answer = page.ask(path)
    assert answer.status in (200, 400, 404)
    assert SCRIPT not in answer.text
    assert answer.text.count("<script") == 1  # the page's own file
    if answer.status == 200 and not path.startswith(("/queue", "/sign-in")):
        assert "alert(1)" in answer.text
    for name, text in HEADERS:
        assert answer.headers[name] == text
    assert "server" not in answer.headers


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "PROPFIND"])
@pytest.mark.parametrize("path", READ_ONLY)
def test_nothing_can_be_sent_to_a_page(page: Served, method: str, path: str) -> None:
    """Every method but GET and HEAD is refused, with those that are allowed."""
    answer = page.ask(path, method=method, body="x=1")
    assert answer.status == 405
    assert answer.headers["allow"] == "GET, HEAD"
    assert "reading only" in answer.text


def test_who_asks_for_the_head_of_a_stream_holds_none(page: Served) -> None:
    """HEAD is answered and over; no page is counted as open."""
    answer = page.ask("/events?topic=benches", method="HEAD")
    assert (answer.status, answer.text) == (200, "")
    assert answer.headers["content-type"].startswith("text/event-stream")
    assert page.app.pages.count == 0


def test_the_store_is_as_it_was(page: Served, place: StorePlace) -> None:
    """Whatever is asked for, no byte of the store changes; and by the page's own connection nothing can be written."""
    assert place.path is not None

    def content() -> list[str]:
        with closing(sqlite3.connect(f"file:{place.path}?mode=ro", uri=True)) as bare:
            return list(bare.iterdump())

    before = content()
    for path in READ_ONLY[:-1]:
        assert page.ask(path).status == 200
    assert content() == before
    with Store.open_to_watch(place) as store, pytest.raises(StoreProblem, match="readonly"):
        store.write_run(replace(RUN, run="r9"))


@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("/run?run=nope", 404, "There is no run"),
        ("/run", 400, "does not say which run"),
        ("/run?run=r1&run=r2", 400, "given 2 times"),
        ("/unit?serial=nope", 404, "There is no unit"),
        ("/batch?batch=nope", 404, "There is no batch"),
        ("/curve.svg?run=r1&at=7", 404, "has no curve"),
        ("/station", 400, "does not say which station"),
        ("/station?station=a&bench=b", 400, "does not say which station"),
        ("/compare?name=r1", 400, "2 to 12"),
        ("/events?topic=other", 400, "no topic"),
        ("/nope", 404, "no such page"),
        ("/static/nope.js", 404, "no such file"),
        ("/static/..%2f..%2f__init__.py", 404, ""),
        ("/runs?channel=99999999999999999999", 400, "'channel'"),
        ("/runs?serial=%00", 400, "cannot be printed"),
        ("/runs?x=" + "y" * 3000, 400, "too long"),
    ],
)
def test_what_is_not_there_is_said_in_words(page: Served, path: str, status: int, says: str) -> None:
    """A page that says what is wrong, with a way on; never a traceback."""
    answer = page.ask(path)
    assert answer.status == status
    assert says in answer.text.replace("&#39;", "'")
    assert "Traceback" not in answer.text


def test_a_page_elsewhere_cannot_ask_under_a_name_of_its_own(page: Served) -> None:
    """A name that was made to lead to this machine (DNS rebinding) is not one of this server's."""
    for host in (
        "evil.example",
        "evil.example:80",
        "127.0.0.1.evil.example",
        "",
        "[::ffff:192.0.2.1]",
        "192.0.2.1",
    ):
        assert page.ask("/runs", host=host).status == 421, host
    for host in (f"localhost:{page.port}", f"127.0.0.1:{page.port}", "[::1]:1", "LOCALHOST."):
        assert page.ask("/runs", host=host).status == 200, host


@pytest.mark.parametrize(
    "host",
    [
        "localhost:1/static/?",
        "localhost/sign-in?:1",
        "[::1]:1/static/?",
        "localhost:1@x",
        "localhost:-1",
    ],
)
def test_a_name_that_carries_a_path_opens_no_page(place: StorePlace, tmp_path: Path, host: str) -> None:
    """A request's address put together from such a Host header reads as an open path: what is asked for is taken, and the name refused."""
    with served(place, Access(names=names_of(), any_address=True, token=TokenFile.within(tmp_path))) as page:
        answer = page.ask("/runs", host=host)
        assert answer.status == 421
        assert "M40-" not in answer.text


def test_another_address_asks_for_the_token_once(place: StorePlace, tmp_path: Path) -> None:
    """Without it no page; a wrong one is refused; the right one brings a cookie that no script reads and no other site sends."""
    file = TokenFile.within(tmp_path)
    token = file.make()
    with served(place, Access(names=names_of(), any_address=True, token=file)) as page:
        turned = page.ask("/runs?serial=M40-0007")
        assert (turned.status, turned.headers["location"]) == (
            303,
            "/sign-in?next=%2Fruns%3Fserial%3DM40-0007",
        )
        assert page.ask("/events?topic=benches").status == 401
        assert page.ask("/static/watch.css").status == 200
        assert page.ask("/sign-in").status == 200
        wrong = page.ask("/sign-in", method="POST", body=urlencode({"token": token + "x", "next": "/runs"}))
        assert wrong.status == 403
        assert "set-cookie" not in wrong.headers
        large = page.ask("/sign-in", method="POST", body="token=" + "x" * 5000)
        assert large.status == 400
        form = urlencode({"token": token, "next": "/runs?serial=M40-0007"})
        other_site = page.ask("/sign-in", method="POST", body=form, origin="https://evil.example")
        assert other_site.status == 400
        right = page.ask("/sign-in", method="POST", body=form)
        assert (right.status, right.headers["location"]) == (303, "/runs?serial=M40-0007")
        given = right.headers["set-cookie"]
        assert all(word in given for word in ("HttpOnly", "SameSite=strict", "Path=/"))
        cookie = given.partition(";")[0]
        assert token not in cookie
        assert page.ask("/runs", cookie=cookie).status == 200
        assert page.ask("/runs", cookie=cookie + "0").status == 303
        for elsewhere in ("https://evil.example/", "//evil.example/", "/\\evil.example", "/a\r\nx: y"):
            form = urlencode({"token": token, "next": elsewhere})
            assert page.ask("/sign-in", method="POST", body=form).headers["location"] == "/"
        file.make()
        assert page.ask("/runs", cookie=cookie).status == 303


def test_a_store_that_is_taken_away_is_said_and_waited_for(tmp_path: Path) -> None:
    """Moved while the page is served: said in words with status 503; put back, the pages are there again."""
    path = tmp_path / "results.sqlite"
    with Store.open(path) as store:
        store.write_run(RUN)
    with served(StorePlace(path=path)) as page:
        assert page.ask("/run?run=r1").status == 200
        path.rename(tmp_path / "away.sqlite")
        answer = page.ask("/runs")
        assert answer.status == 503
        assert "no store here" in answer.text
        (tmp_path / "away.sqlite").rename(path)
        assert page.ask("/run?run=r1").status == 200


def test_a_damaged_row_hides_no_other(tmp_path: Path) -> None:
    """A run, a result and a batch that cannot be read: each list shows the others, and says which row it lacks; its own page says so."""
    found = StorePlace(path=tmp_path / "results.sqlite")
    batch = BatchRecord(batch="week", sequence="s", sequence_hash="a", opened=WHEN, simulated=True)
    with Store.open(found) as store:
        for name in ("good", "bad", "torn"):
            run = replace(RUN, run=name, serial=f"unit {name}", batch="week", outcome="done", status=0)
            store.write_run(run, batch=batch if name == "good" else replace(batch, batch=name))
            store.write_check(name, 0, [a_result(run=name, serial=f"unit {name}")], [an_exchange()])
    with closing(sqlite3.connect(tmp_path / "results.sqlite")) as bare, bare:
        bare.execute("UPDATE run SET time = 'never' WHERE run = 'bad'")
        bare.execute("UPDATE result SET decision = 'perhaps' WHERE run = 'torn'")
        bare.execute("UPDATE batch SET opened = 'never' WHERE batch = 'bad'")
    with served(found) as page:
        for path, shown, lacks in (
            ("/runs", "unit good", "run bad cannot be read"),
            ("/run?run=torn", "unit torn", "of run torn"),
            ("/batches", "week", "batch bad cannot be read"),
            ("/batch?batch=week", "week", "run bad cannot be read"),
            ("/batch?batch=week", "week", "run bad cannot be read"),
            ("/runs?check=x", "unit good", "of run torn"),
        ):
            answer = page.ask(path)
            assert answer.status == 200, (path, answer.text)
            assert shown in answer.text
            assert lacks in answer.text, path
            assert "missing here" in answer.text
        assert "missing here" not in page.ask("/run?run=good").text
        answer = page.ask("/run?run=bad")
        assert answer.status == 503
        assert "run bad cannot be read" in answer.text


def test_a_trace_that_was_cleared_is_said_to_be(tmp_path: Path) -> None:
    """When, and how much there was; not that there were no messages."""
    place = StorePlace(path=tmp_path / "results.sqlite")
    with Store.open(place) as store:
        store.write_run(RUN)
        store.write_check("r1", 0, [a_result()], [an_exchange(), an_exchange()])
        store.write_end("r1", outcome="done", bench_safe=True, bench_s=1.0)
        clear_traces(store, datetime(2028, 1, 1, tzinfo=UTC), WHEN)
    with served(place) as page:
        answer = page.ask("/trace?run=r1")
    assert answer.status == 200
    assert "The trace of this run was cleared on" in answer.text
    assert "(2 messages)" in answer.text
    assert "No messages" not in answer.text
