"""Templates of the pages: everything that came from outside is escaped and spelt out, as in the report, whose pieces they use."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader
from markupsafe import Markup

from sequencer import __version__
from sequencer.report.page import make_environment, style_text
from sequencer.units.format import counted
from sequencer.watch.asked import address

PLACES = (
    ("benches", "/", "Benches"),
    ("runs", "/runs", "Runs"),
    ("units", "/units", "Units"),
    ("batches", "/batches", "Batches"),
    ("compare", "/compare", "Compare"),
    ("queue", "/queue", "Queue"),
)
STATIC = {
    "watch.css": "text/css; charset=utf-8",
    "watch.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}


@cache
def environment() -> Environment:
    """Return where the templates of the pages are read; those of the report stand behind them."""
    made = make_environment(
        ChoiceLoader(
            [
                PackageLoader("sequencer.watch", "templates"),
                PackageLoader("sequencer.report", "templates"),
            ]
        )
    )
    made.globals |= {"address": address, "places": PLACES, "version": __version__, "when": when}
    return made


def render(template: str, **facts: Any) -> str:
    """Return a page or a part of one."""
    return environment().get_template(template).render(**facts)


MOST_UNREAD = 5
"""Rows that cannot be read and are named on a page."""


def unread_sentence(missing: Sequence[str]) -> str:
    """Return which rows of the store are missing on a page; empty where none is."""
    if not missing:
        return ""
    more = f" and {len(missing) - MOST_UNREAD} more" if len(missing) > MOST_UNREAD else ""
    rows = counted(len(missing), "damaged row")
    return (
        f"{rows} of the store could not be read, and {'is' if len(missing) == 1 else 'are'} missing here: "
        f"{'; '.join(missing[:MOST_UNREAD])}{more}. Leave the store where it is, and look in the results tables (CSV) beside it."
    )


def when(moment: datetime | None, *, seconds: bool = False) -> Markup:
    """Return a moment for a page: with its offset, and so that the page's script can show it in the reader's own zone."""
    if moment is None:
        return Markup("")
    moment = moment if moment.tzinfo is not None else moment.astimezone()
    shown = moment.strftime("%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M")
    offset = moment.isoformat()[-6:] if moment.utcoffset() else "UTC"
    return Markup('<time datetime="{}"{}>{} {}</time>').format(
        moment.isoformat(timespec="seconds"), Markup(" data-seconds") if seconds else "", shown, offset
    )


@cache
def static(name: str) -> bytes | None:
    """Return a file that the pages need; None where there is none of that name."""
    if name == "report.css":
        return style_text().encode()
    if name not in STATIC:
        return None
    return (files("sequencer.watch") / "static" / name).read_bytes()


def static_type(name: str) -> str:
    """Return the type of such a file."""
    return STATIC.get(name, "text/css; charset=utf-8")
