"""The page to watch in a real browser: at three widths, live while a bench works, through a restart of its server, for everybody.

Rules of accessibility: axe-core 4.14.1 (WCAG 2.2 level A and AA, and its best practices), unchanged in ``tests/support/axe``.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.bench_now import Calibrated, Doing, Worked
from sequencer.results.store.bench_now import BenchNowWriter
from sequencer.results.store.place import StorePlace
from sequencer.run.events import CheckStarted
from sequencer.run.keeping.bench_now import BenchTeller
from tests.support.watching import AXE, Served, real_browser, served

WIDTHS = (390, 1280, 1920)
HOSTILE = "M40-0099<img src=x onerror=alert(1)>"
LONG = "Quarry bench in the upper yard, beside the crusher, with a name that somebody typed"
PAGES = (
    *(
        "/",
        "/runs",
        "/runs?check=sensitivity",
        "/run?run=last",
        "/trace?run=last",
        "/units",
        "/unit?serial=M40-0007",
        "/queue",
    ),
    *(
        "/compare",
        "/compare?name=M40-0007&name=M40-0011&all=yes",
        "/batches",
        "/batch?batch=trial",
        "/run?run=nope",
    ),
    *(
        "/station?station=Line+2",
        "/station?station=Line+9",
        f"/station?{urlencode({'bench': LONG})}",
        "/sign-in?next=%2Fruns",
    ),
)
PATIENCE_MS = 100_000
"""How long a condition is waited for on a busy machine; it is there after a second."""
DARK = ("/", "/runs", "/batch?batch=trial", "/station?station=Line+2")
_RULES = "{runOnly: ['wcag2a', 'wcag2aa', 'wcag21aa', 'wcag22aa', 'best-practice']}"


def _say(place: StorePlace, session: str, bench: str, station: str, **doing: Any) -> None:
    facts: dict[str, Any] = {
        "program": "line",
        "phase": "waiting",
        "told": datetime.now().astimezone(),
        **doing,
    }
    with closing(BenchNowWriter(place)) as writer:
        writer.begin(
            Worked(id=session, bench=bench, machine="north", process=1, station=station), Doing(**facts)
        )
    assert place.path is not None
    with closing(sqlite3.connect(place.path)) as bare, bare:  # a sign that lasts, however slow the tests are
        bare.execute("UPDATE bench_now SET beat_utc_s = beat_utc_s + 1e6 WHERE id = ?", (session,))


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> StorePlace:
    """A store with two runs in a batch, and benches in every state that a page shows otherwise."""
    folder = tmp_path_factory.mktemp("watched")
    for serial, status in (("M40-0011", 1), ("M40-0007", 0)):
        given = (
            "run",
            "quick-check",
            "--bench",
            "sim/bench.yaml",
            "--serial",
            serial,
            "--confirmed",
            "--batch",
            "trial",
        )
        done = CliRunner().invoke(main, (*given, "--folder", str(folder)))
        assert done.exit_code == status
    found = StorePlace(path=folder / "results.sqlite")
    due = (Calibrated(name="power_meter", due="2020-01-31"), Calibrated(name="supply", due="2099-01-31"))
    wrong = (
        "sensitivity, 12 dB SINAD, channel 20: (-105.6 ± 1.0) dBm, 7.4 dB above the limit of -113.0 dBm",
    )
    _say(
        found,
        "b2",
        "Bench 2",
        "Line 2",
        serial="M40-0011",
        verdict="FAIL",
        wrong=wrong,
        safe=True,
        calibrated=due,
    )
    unsafe = "the supply reads 13.2 V. Remove the supply from the unit now."
    _say(
        found,
        "b3",
        LONG,
        "",
        phase="stopped",
        serial=HOSTILE,
        verdict="BENCH",
        safe=False,
        safe_why=unsafe,
        fault="no answer",
    )
    _say(
        found,
        "b4",
        "Bench 4",
        "Line 4",
        phase="asking",
        question=("Is it tested again?",),
        counts="passed 1, failed 0",
    )
    return found


@pytest.fixture(scope="module")
def page(place: StorePlace) -> Iterator[Served]:
    """Its page."""
    with served(place) as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser."""
    with real_browser() as found:
        from playwright.sync_api import expect

        expect.set_options(timeout=PATIENCE_MS)
        yield found


class Looked:
    """A page in a browser, with what it asked of others and complained of."""

    def __init__(self, browser: Any, *, scheme: str = "light", width: int = 1280, zone: str = "UTC") -> None:
        size = {"width": width, "height": 900}
        self.context = browser.new_context(viewport=size, color_scheme=scheme, timezone_id=zone)
        self.context.set_default_timeout(PATIENCE_MS)
        self.page = self.context.new_page()
        self.hosts: set[str] = set()
        self.errors: list[str] = []
        self.page.on("request", lambda asked: self.hosts.add(asked.url.split("/")[2]))
        self.page.on("console", lambda said: self.errors.append(said.text) if said.type == "error" else None)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("dialog", lambda dialog: self.errors.append(f"a dialog: {dialog.message}"))

    def __enter__(self) -> Looked:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()


@pytest.mark.timeout(400)
def test_each_page_at_each_width_for_everybody(browser: Any, page: Served) -> None:
    """No sideways scroll at 390, 1280 and 1920 px, nothing asked of another host, no error, and no rule of accessibility broken."""
    axe = AXE.read_text(encoding="utf-8")
    wide, broken = [], []
    with Looked(browser) as looked:
        for path in PAGES:
            looked.page.goto(page.address + path)
            for width in WIDTHS:
                looked.page.set_viewport_size({"width": width, "height": 900})
                if looked.page.evaluate("() => document.documentElement.scrollWidth > innerWidth"):
                    wide.append((path, width))
            looked.page.evaluate(axe)
            found = looked.page.evaluate(f"() => axe.run(document, {_RULES})")
            assert len(found["passes"]) > 10
            broken += [(path, one["id"], one["nodes"][0]["html"][:120]) for one in found["violations"]]
            if path in DARK:
                looked.page.emulate_media(color_scheme="dark")
                found = looked.page.evaluate("() => axe.run(document, {runOnly: ['color-contrast']})")
                assert found["passes"]
                broken += [(path, "dark", one["nodes"][0]["html"][:120]) for one in found["violations"]]
                looked.page.emulate_media(color_scheme="light")
        errors = [one for one in looked.errors if "404" not in one]
        assert looked.hosts == {f"127.0.0.1:{page.port}"}
    assert wide == []
    assert broken == []
    assert errors == []


def test_a_broken_page_is_told_by_the_rules(browser: Any, page: Served) -> None:
    """The rules of the test before see something: a picture without a text alternative is one violation more."""
    with Looked(browser) as looked:
        looked.page.goto(page.address + "/units")
        looked.page.evaluate(AXE.read_text(encoding="utf-8"))
        looked.page.evaluate("() => document.querySelector('main').append(document.createElement('img'))")
        found = looked.page.evaluate(f"() => axe.run(document, {_RULES})")
        assert "image-alt" in [one["id"] for one in found["violations"]]


def test_a_bench_is_followed_while_it_works_and_through_a_restart(
    browser: Any, page: Served, place: StorePlace
) -> None:
    """Each check and fault of a run appears by itself; the server goes and comes, the page says so and shows what happened meanwhile."""
    from playwright.sync_api import expect

    with Looked(browser) as looked:
        looked.page.goto(page.address + "/")
        looked.page.wait_for_function("() => document.body.dataset.n")
        with BenchTeller(place, bench="Bench 7", simulated=True, program="run", station="Line 7") as teller:
            teller.listen(CheckStarted(index=0, label="carrier power, channel 1", remaining_s=90.0))
            card = looked.page.locator("article", has_text="Bench 7")
            expect(card).to_contain_text("carrier power, channel 1")
            expect(card).to_contain_text("Measuring")
            expect(card).to_contain_text("The unit may be on the air. Do not touch it.")
            wall = card.get_by_role("link", name="On a wall screen")
            wall.focus()
            teller.listen(CheckStarted(index=1, label="sensitivity, channel 20", remaining_s=30.0))
            expect(card).to_contain_text("sensitivity, channel 20")
            expect(card.get_by_role("link", name="On a wall screen")).to_be_focused()
            page.stop()
            expect(looked.page.locator("#lost")).to_be_visible()
            teller.tell(fault="power_meter: no answer within 2 s", fault_at=datetime.now().astimezone())
            page.start()
            expect(card).to_contain_text("no answer within 2 s")
            expect(looked.page.locator("#lost")).to_be_hidden()
        expect(looked.page.locator("#rest")).to_contain_text("Bench 7")
        assert looked.page.locator("article", has_text="Bench 7").count() == 0


def test_a_wall_screen_shows_the_verdict_and_says_it_once(
    browser: Any, page: Served, place: StorePlace
) -> None:
    """The verdict in words and shape, large; a screen reader is told of it once, and of nothing else."""
    from playwright.sync_api import expect

    with Looked(browser, width=1920) as looked:
        looked.page.goto(page.address + "/station?station=Line+4")
        looked.page.wait_for_function("() => document.body.dataset.n")
        expect(looked.page.locator(".big")).to_have_text("ASK")
        _say(
            place,
            "b4",
            "Bench 4",
            "Line 4",
            serial="M40-0007",
            verdict="PASS",
            safe=True,
            safe_why="each read back",
        )
        expect(looked.page.locator(".big")).to_contain_text("PASS")
        expect(looked.page.locator(".touch")).to_contain_text("SAFE TO CHANGE THE UNIT")
        expect(looked.page.get_by_role("status")).to_have_text("M40-0007 PASS")
        height = looked.page.locator(".big").bounding_box()["height"]
        assert height > 150  # of 900 px: read across the room
        _say(place, "b4", "Bench 4", "Line 4", phase="asking", question=("Again?",))


def test_a_page_that_nobody_sees_gives_its_connection_back(browser: Any, page: Served) -> None:
    """Hidden, it ends its stream, of which a browser holds six to a server; seen again, it opens one."""
    gone = threading.Event()
    while page.app.pages.count:  # those of the tests before
        gone.wait(0.02)
    with Looked(browser) as looked:
        looked.page.goto(page.address + "/")
        looked.page.wait_for_function("() => document.body.dataset.n")
        assert page.app.pages.count == 1
        hide = "(how) => {{ Object.defineProperty(document, 'hidden', {{value: how, configurable: true}}); {} }}".format(
            "document.dispatchEvent(new Event('visibilitychange'));"
        )
        looked.page.evaluate(hide, True)
        while page.app.pages.count:
            gone.wait(0.02)
        looked.page.evaluate(hide, False)
        while not page.app.pages.count:
            gone.wait(0.02)


def test_times_are_in_the_readers_zone(browser: Any, page: Served) -> None:
    """Written with the server's offset, shown with the reader's own: Kathmandu lies 5 h 45 min before UTC (IANA, Asia/Kathmandu)."""
    with Looked(browser, zone="Asia/Kathmandu") as looked:
        looked.page.goto(page.address + "/runs")
        one = looked.page.locator("td time").first
        written = datetime.fromisoformat(one.get_attribute("datetime"))
        shown = one.inner_text()
        assert shown.endswith(" +05:45")
        there = datetime.fromisoformat(f"{shown[:10]}T{shown[11:16]}:00+05:45")
        assert abs((there - written).total_seconds()) < 60


def test_a_page_works_without_its_script(browser: Any, page: Served) -> None:
    """The state as it was loaded, the filters and every link are there; what lives says that it does not."""
    context = browser.new_context(java_script_enabled=False)
    looked = context.new_page()
    looked.goto(page.address + "/")
    assert "Bench 2" in looked.locator("#live").inner_text()
    assert "load it again" in looked.locator("main").inner_text()
    looked.goto(page.address + "/runs")
    looked.get_by_text("Filters", exact=True).click()
    looked.get_by_label("Unit (serial)").fill("M40-0011")
    looked.get_by_role("button", name="Show").click()
    assert "serial=M40-0011" in looked.url
    assert looked.locator("tbody tr").count() == 1
    context.close()


def test_a_page_is_worked_by_keys(browser: Any, page: Served) -> None:
    """The first stop of the Tab key leads past the head of the page; every stop is seen."""
    with Looked(browser) as looked:
        looked.page.goto(page.address + "/runs")
        looked.page.keyboard.press("Tab")
        assert looked.page.evaluate("() => document.activeElement.textContent") == "Skip to the content"
        looked.page.keyboard.press("Enter")
        assert looked.page.evaluate("() => document.activeElement.id") == "main"
        looked.page.keyboard.press("Tab")
        assert looked.page.evaluate("() => document.activeElement.tagName") == "SUMMARY"
        assert looked.page.evaluate("() => getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_a_stop_is_quick_with_pages_open(browser: Any, place: StorePlace) -> None:
    """Asked to stop with a page open, the server ends its streams by itself: no task is left to be cancelled."""
    found = Served(place)
    with Looked(browser) as looked:
        looked.page.goto(found.address + "/")
        looked.page.wait_for_function("() => document.body.dataset.n")
        found.stop()
        assert found.app.pages.count == 0
