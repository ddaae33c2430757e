"""Lines of text for the terminal's width: sentences are wrapped, rows of tables stay as they are."""

from __future__ import annotations

import re
import shutil
import textwrap
from collections.abc import Iterable

import click

from sequencer.problems import printable

_TABLE = re.compile(r"\S {2,}\S|^ ")
LEAST = 24
_NO_BREAK = "\u00a0"


def terminal_width() -> int:
    """Return how many columns there are to write in."""
    return max(LEAST, shutil.get_terminal_size().columns)


def show_lines(lines: Iterable[str]) -> None:
    """Print the lines, sentences wrapped to the terminal."""
    width = terminal_width()
    click.echo("\n".join(row for line in lines for row in _fitted(printable(line), width)))


def _fitted(line: str, width: int) -> list[str]:
    if len(line) <= width or _TABLE.search(line):
        return [line.rstrip()]
    together = line.replace(" %", f"{_NO_BREAK}%")  # a number stays with its sign
    rows = textwrap.wrap(together, width, break_long_words=False, break_on_hyphens=False)
    return [row.replace(_NO_BREAK, " ") for row in rows]
