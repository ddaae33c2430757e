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


def show_lines(lines: Iterable[str]) -> None:
    """Print the lines, sentences wrapped to the terminal."""
    width = max(LEAST, shutil.get_terminal_size().columns)
    for line in lines:
        click.echo("\n".join(_fitted(printable(line), width)))


def _fitted(line: str, width: int) -> list[str]:
    if len(line) <= width or _TABLE.search(line):
        return [line.rstrip()]
    return textwrap.wrap(line, width, break_long_words=False, break_on_hyphens=False)
