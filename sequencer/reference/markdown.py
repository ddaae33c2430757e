"""Pieces of Markdown: tables, lists, and docstrings as paragraphs."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterable, Sequence

NOTHING = "–"
"""What stands in a cell that has nothing to say."""


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table; a cell that is empty shows a dash."""
    lines = [_row(heads), _row(["---"] * len(heads))]
    lines += [_row([cell or NOTHING for cell in row]) for row in rows]
    return "\n".join(lines)


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cell.replace("\n", " ").replace("|", "\\|") for cell in cells) + " |"


def code(text: str) -> str:
    """Return ``text`` as code; a backtick in it is no end of it."""
    return f"`` {text} ``" if "`" in text else f"`{text}`"


def anchor(heading: str) -> str:
    """Return the address of a heading within its page, as the usual readers of Markdown make it."""
    return "#" + re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def link(heading: str) -> str:
    """Return a link to a heading of the same page."""
    return f"[{heading}]({anchor(heading)})"


def prose(docstring: str | None) -> str:
    """Return a docstring as Markdown: double backticks become single ones, paragraphs stay, indentation goes."""
    text = inspect.cleandoc(docstring or "").replace("``", "`")
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in text.split("\n\n"))


def sentence(text: str) -> str:
    """Return ``text`` with a capital in front and a full stop behind."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def page(*parts: str) -> str:
    """Return the parts of a page with an empty line between each two."""
    return "\n\n".join(part for part in parts if part) + "\n"
