"""The page to watch in a real browser: at three widths, live while a bench works, through a restart of its server, for everybody.

Every page, in light and dark, is looked at by ``python tests/benchmarks/look_at_watch.py``; here those that differ most. Rules of
accessibility: axe-core 4.14.1 (WCAG 2.2 level A and AA, and its best practices), unchanged in ``tests/support/axe``.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import datetime
from typing import Any

import pytest

from sequencer.results.store.place import StorePlace
from sequencer.run.events import CheckStarted
from sequencer.run.keeping.bench_now import BenchTeller
from tests.support.watched_store import say, watched_store
from tests.support.watching import WIDTHS, Looked, Served, broken_rules, real_browser, served

PAGES = ("/", "/runs?check=sensitivity", "/run?run=last", "/station?station=Line+2")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> StorePlace:
    """A store with a run, and benches in every state."""
    return watched_store(tmp_path_factory.mktemp("watched"), "M40-0011")


@pytest.fixture(scope="module")
def page(place: StorePlace) -> Iterator[Served]:
    """Its page."""
    with served(place) as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser."""
    with real_browser() as found:
        yield found


@pytest.fixture(scope="module")
def shared(browser: Any) -> Iterator[Looked]:
    """One tab for all tests, in Kathmandu, which lies 5 h 45 min before UTC (IANA, Asia/Kathmandu)."""
    with Looked(browser, zone="Asia/Kathmandu") as found:
        yield found


@pytest.fixture
def looked(shared: Looked) -> Looked:
    """The tab, with nothing noted of the tests before."""
    shared.errors.clear()
    shared.hosts.clear()
    return shared


@pytest.mark.timeout(400)
def test_pages_at_three_widths_for_everybody(looked: Looked, page: Served) -> None:
    """No sideways scroll at 390, 1280 and 1920 px, nothing asked of another host, no error, and no rule of accessibility broken.

    The rules see something: a picture without a text alternative is a violation.
    """
    wide, broken = [], []
    for path in PAGES:
        looked.page.goto(page.address + path)
        if path.startswith("/run?"):
            assert looked.wait_for_pictures() == 2  # the sign of the pages, and the curve of the run's search
        wide += [(path, width) for width in WIDTHS if looked.is_wide(width)]
        broken += [(path, *one) for one in broken_rules(looked.page)]
    assert wide == []
    assert broken == []
    assert looked.errors == []
    assert looked.hosts == {f"127.0.0.1:{page.port}"}
    looked.page.evaluate("() => document.querySelector('main').append(document.createElement('img'))")
    assert "image-alt" in [name for name, _ in broken_rules(looked.page)]
    looked.page.set_viewport_size({"width": 1280, "height": 900})


def test_a_bench_is_followed_while_it_works_and_through_a_restart(
    looked: Looked, page: Served, place: StorePlace
) -> None:
    """Each check and fault of a run appears by itself; the server goes and comes, the page says so and shows what happened meanwhile.

    Asked to stop with a page open, the server ends its streams by itself.
    """
    from playwright.sync_api import expect

    looked.page.goto(page.address + "/")
    looked.page.wait_for_function("() => document.body.dataset.n")
    with BenchTeller(place, bench="Bench 7", simulated=True, program="run", station="Line 7") as teller:
        teller.listen(CheckStarted(index=0, label="carrier power, channel 1", remaining_s=90.0))
        card = looked.page.locator("article", has_text="Bench 7")
        expect(card).to_contain_text("carrier power, channel 1")
        expect(card).to_contain_text("Measuring")
        expect(card).to_contain_text("The unit may be on the air. Do not touch it.")
        card.get_by_role("link", name="On a wall screen").focus()
        teller.listen(CheckStarted(index=1, label="sensitivity, channel 20", remaining_s=30.0))
        expect(card).to_contain_text("sensitivity, channel 20")
        expect(card.get_by_role("link", name="On a wall screen")).to_be_focused()
        page.stop()
        assert page.app.pages.count == 0
        expect(looked.page.locator("#lost")).to_be_visible()
        teller.tell(fault="power_meter: no answer within 2 s", fault_at=datetime.now().astimezone())
        page.start()
        expect(card).to_contain_text("no answer within 2 s")
        expect(looked.page.locator("#lost")).to_be_hidden()
    expect(looked.page.locator("#rest")).to_contain_text("Bench 7")
    assert looked.page.locator("article", has_text="Bench 7").count() == 0


def test_a_wall_screen_shows_the_verdict_and_says_it_once(
    looked: Looked, page: Served, place: StorePlace
) -> None:
    """The verdict in words and shape, large; a screen reader is told of it once, and of nothing else."""
    from playwright.sync_api import expect

    looked.page.goto(page.address + "/station?station=Line+4")
    looked.page.wait_for_function("() => document.body.dataset.n")
    expect(looked.page.locator(".big")).to_have_text("ASK")
    say(
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
    assert looked.page.locator(".big").bounding_box()["height"] > 120  # of 900 px: read across the room


def test_a_bench_left_not_safe_is_called_out_and_taken_back(
    looked: Looked, page: Served, place: StorePlace
) -> None:
    """An alert, the tab's title and the first card say it, all within 390 px; read back safe, the alert and the title are as before."""
    from playwright.sync_api import expect

    unsafe = {"program": "run", "phase": "ended", "safe_why": "PTT stays on.", "fault": "supply: no answer"}
    say(place, "b0", "Bench 0", "", ended=True, safe=False, **unsafe)
    looked.page.set_viewport_size({"width": 390, "height": 900})
    looked.page.goto(page.address + "/")
    expect(looked.page.get_by_role("alert")).to_contain_text(
        "Bench 0: NOT SAFE. PTT stays on. Remove the supply"
    )
    assert looked.page.title().startswith("NOT SAFE \u2013 Benches now")
    card = looked.page.locator("article").first
    expect(card).to_contain_text("Bench 0")
    expect(card).to_contain_text("supply: no answer")
    say(place, "b0", "Bench 0", "", ended=True, safe=True, **unsafe)
    expect(looked.page.get_by_role("alert")).not_to_contain_text("Bench 0")
    left = looked.page.locator("#rest tr", has_text="Bench 0").locator(".safety")
    expect(left).to_contain_text("Safe")
    expect(left).to_contain_text("supply: no answer")
    box = left.bounding_box()
    assert box["x"] + box["width"] <= 390
    looked.page.get_by_role("link", name="Bench 0").click()
    expect(looked.page.locator("#wall")).to_contain_text("supply: no answer")
    looked.page.set_viewport_size({"width": 1280, "height": 900})


def test_a_page_that_nobody_sees_gives_its_connection_back(looked: Looked, page: Served) -> None:
    """Hidden, it ends its stream, of which a browser holds six to a server; seen again, it opens one."""
    looked.page.goto(page.address + "/units")
    gone = threading.Event()
    while page.app.pages.count:  # that of the page before
        gone.wait(0.02)
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


def test_times_are_in_the_readers_zone_and_keys_are_enough(looked: Looked, page: Served) -> None:
    """Times are written with the server's offset and shown with the reader's; the first stop of the Tab key leads past the page's head."""
    looked.page.goto(page.address + "/runs")
    one = looked.page.locator("td time").first
    written = datetime.fromisoformat(one.get_attribute("datetime"))
    shown = one.inner_text()
    assert shown.endswith(" +05:45")
    there = datetime.fromisoformat(f"{shown[:10]}T{shown[11:16]}:00+05:45")
    assert abs((there - written).total_seconds()) < 60
    looked.page.keyboard.press("Tab")
    assert looked.page.evaluate("() => document.activeElement.textContent") == "Skip to the content"
    looked.page.keyboard.press("Enter")
    assert looked.page.evaluate("() => document.activeElement.id") == "main"
    looked.page.keyboard.press("Tab")
    assert looked.page.evaluate("() => document.activeElement.tagName") == "SUMMARY"
    assert looked.page.evaluate("() => getComputedStyle(document.activeElement).outlineStyle") == "solid"


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
