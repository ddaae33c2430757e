"""Look at every page to watch, at three widths, in light and dark: pictures, sideways scroll, and the rules of accessibility.

Run: ``python tests/benchmarks/look_at_watch.py FOLDER``. Writes a picture of each page, width and scheme into FOLDER, and tells what is
wrong with any of them: a page wider than its window, a broken rule of axe-core (WCAG 2.2 A and AA, best practices), an error of its
script, or a host other than the server that was asked. Ends with status 1 where there is anything.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path
from urllib.parse import urlencode

sys.path.insert(0, str(Path(__file__).parents[2]))

from sequencer.results.store.place import find_place
from tests.support.postgres_server import PostgresServer
from tests.support.watched_queue import filled_queue
from tests.support.watched_store import LONG, watched_store
from tests.support.watching import WIDTHS, Looked, broken_rules, real_browser, served

PAGES = (
    *(
        "/",
        "/runs",
        "/runs?check=sensitivity",
        "/runs?decision=fail&limit=100",
        "/run?run=last",
        "/trace?run=last",
        "/units",
        "/queue",
    ),
    *(
        "/unit?serial=M40-0007",
        "/compare",
        "/compare?name=M40-0007&name=M40-0011",
        "/compare?name=M40-0007&name=M40-0011&all=yes",
    ),
    *("/batches", "/batch?batch=trial", "/run?run=nope", "/runs?seriel=x", "/sign-in?next=%2Fruns"),
    *(
        "/station?station=Line+1",
        "/station?station=Line+2",
        "/station?station=Line+4",
        "/station?station=Line+9",
    ),
    f"/station?{urlencode({'bench': LONG})}",
)


def _queue(looked: Looked, into: Path) -> list[str]:
    """Look at a queue in a server: jobs in every state, and benches; returns what is wrong."""
    server = PostgresServer()
    try:
        place = find_place(Path(), server.address())
        filled_queue(place)
        with served(place) as page:
            looked.page.goto(page.address + "/queue")
            found = _pictures(looked, "/queue", into / "queue-of-jobs")
            looked.hosts.discard(f"127.0.0.1:{page.port}")
            return found
    finally:
        server.close()


def _pictures(looked: Looked, path: str, name: Path) -> list[str]:
    """Write a picture of the page at each width in each scheme; returns what is wrong."""
    wrong = []
    for scheme in ("light", "dark"):
        looked.page.emulate_media(color_scheme=scheme)
        for width in WIDTHS:
            if looked.is_wide(width):
                wrong.append(f"{path}: wider than {width} px")
            looked.page.screenshot(path=name.with_name(f"{name.name}-{width}-{scheme}.png"), full_page=True)
        wrong += [f"{path}, {scheme}: {rule} at {where}" for rule, where in broken_rules(looked.page)]
    return wrong


def main() -> int:
    """Look; returns the exit status."""
    into = Path(sys.argv[1])
    into.mkdir(parents=True, exist_ok=True)
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as folder, real_browser() as browser:
        place = watched_store(Path(folder), "M40-0007", "M40-0011", "M40-0012", "M40-0013")
        with served(place) as page, Looked(browser) as looked:
            for path in PAGES:
                looked.page.goto(page.address + path)
                looked.wait_for_pictures()
                name = re.sub(r"\W+", "-", path.strip("/")) or "benches"
                wrong += _pictures(looked, path, into / name[:60])
            wrong += _queue(looked, into)
            wrong += [one for one in looked.errors if "404" not in one and "400" not in one]
            if looked.hosts != {f"127.0.0.1:{page.port}"}:
                wrong.append(f"other hosts: {looked.hosts}")
    print(
        "\n".join(wrong) or f"{len(PAGES) + 1} pages at {len(WIDTHS)} widths in 2 schemes: nothing is wrong"
    )
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
