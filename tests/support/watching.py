"""The page to watch, served from a thread of the test's own, and a real browser to look at it with."""

from __future__ import annotations

import http.client
import os
import shutil
import socket
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typing_extensions import override

from sequencer.frozen import dataclass
from sequencer.results.bench_now import BenchNow
from sequencer.results.store.place import StorePlace
from sequencer.watch.app import WatchApp
from sequencer.watch.guard import Access, names_of
from sequencer.watch.server import bound_socket, make_server
from sequencer.watch.signs import Signs

AXE = Path(__file__).parent / "axe" / "axe.min.js"
"""The accessibility rules, unchanged from the package axe-core 4.14.1 (MPL-2.0; its licence stands beside it)."""


RULES = "['wcag2a', 'wcag2aa', 'wcag21aa', 'wcag22aa', 'best-practice']"
WIDTHS = (390, 1280, 1920)
"""A telephone, a desk, a screen on the wall; CSS pixels."""
PATIENCE_MS = 100_000
"""How long a condition is waited for on a busy machine; it is there after a second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What came back."""

    status: int
    headers: Mapping[str, str]
    text: str


class AllHeard(Signs):
    """Counts every bench as heard just now, however slow a test is; the order of the signs stays."""

    @override
    def aged(self, benches: Iterable[BenchNow]) -> list[BenchNow]:
        return [replace(one, silent_s=min(0.0, one.silent_s)) for one in benches]


class Served:
    """The page over one store. It may be stopped, and started again at the same port."""

    def __init__(self, place: StorePlace, access: Access | None = None) -> None:
        self._place = place
        self._access = access or Access(names=names_of())
        self.port = 0
        self.start()

    @property
    def address(self) -> str:
        """Where it is."""
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Serve; on return it listens."""
        self.app = WatchApp(self._place, self._access, AllHeard())
        self._socket: socket.socket = bound_socket("127.0.0.1", self.port)
        self.port = self._socket.getsockname()[1]
        self._server = make_server(self.app.asgi, end_streams=self.app.end_streams)
        self._thread = threading.Thread(target=self._server.run, args=([self._socket],), name="served")
        self._thread.start()

    def stop(self) -> None:
        """End it, and wait until it has."""
        self._server.should_exit = True
        self._thread.join()
        self._socket.close()
        self.app.close()

    def ask(self, path: str, *, method: str = "GET", body: str | None = None, **headers: str) -> Answer:
        """Ask for a page as no browser would: the path goes over the line as it is."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.putrequest(method, path, skip_host="host" in headers, skip_accept_encoding=True)
            content = None if body is None else body.encode()
            if content is not None:
                headers = {
                    "content-length": str(len(content)),
                    "content-type": "application/x-www-form-urlencoded",
                    **headers,
                }
            for name, text in headers.items():
                connection.putheader(name.replace("_", "-"), text)
            connection.endheaders(content)
            answer = connection.getresponse()
            found = {name.lower(): text for name, text in answer.getheaders()}
            return Answer(status=answer.status, headers=found, text=answer.read().decode("utf-8", "replace"))
        finally:
            connection.close()


@contextmanager
def served(place: StorePlace, access: Access | None = None) -> Iterator[Served]:
    """Serve the page of a store."""
    found = Served(place, access)
    try:
        yield found
    finally:
        found.stop()


class Looked:
    """A tab in a browser, with the hosts that its pages asked and what they complained of."""

    def __init__(self, browser: Any, *, zone: str = "UTC") -> None:
        self.context = browser.new_context(viewport={"width": 1280, "height": 900}, timezone_id=zone)
        self.context.set_default_timeout(PATIENCE_MS)
        self.page = self.context.new_page()
        self.hosts: set[str] = set()
        self.errors: list[str] = []
        self.page.on("request", lambda asked: self.hosts.add(asked.url.split("/")[2]))
        self.page.on("console", lambda said: self.errors.append(said.text) if said.type == "error" else None)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("dialog", lambda dialog: self.errors.append(f"a dialog: {dialog.message}"))

    def is_wide(self, width: int) -> bool:
        """Say whether the page scrolls sideways at a width."""
        self.page.set_viewport_size({"width": width, "height": 900})
        return bool(self.page.evaluate("() => document.documentElement.scrollWidth > innerWidth"))

    def wait_for_pictures(self) -> int:
        """Wait until every picture of the page is drawn; returns how many there are."""
        self.page.evaluate("() => { for (const one of document.images) one.loading = 'eager'; }")
        self.page.wait_for_function(
            "() => [...document.images].every((one) => one.complete && one.naturalWidth > 0)"
        )
        return int(self.page.evaluate("() => document.images.length"))

    def __enter__(self) -> Looked:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()


def broken_rules(page: Any, rules: str = RULES) -> list[tuple[str, str]]:
    """Return the rules of accessibility that a page breaks, each with the first place."""
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate(f"() => axe.run(document, {{runOnly: {rules}, resultTypes: ['violations']}})")
    assert found["passes"]
    return [(one["id"], one["nodes"][0]["html"][:120]) for one in found["violations"]]


@contextmanager
def real_browser() -> Iterator[Any]:
    """Return Debian's Chromium, driven by a kept library. Without it a test says so, and in CI (SEQUENCER_TEST_ALL) it fails."""
    binary = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    try:
        from playwright.sync_api import expect, sync_playwright
    except ImportError as missing:
        _not_here(str(missing))
    if binary is None:
        _not_here("no chromium is installed (Debian: package chromium)")
    with sync_playwright() as playwright:
        expect.set_options(timeout=PATIENCE_MS)
        browser = playwright.chromium.launch(executable_path=binary, args=["--no-sandbox"])
        yield browser
        browser.close()


def _not_here(why: str) -> None:
    if os.environ.get("SEQUENCER_TEST_ALL"):
        pytest.fail(f"the page cannot be looked at: {why}", pytrace=False)
    pytest.skip(f"the page cannot be looked at: {why}")
