"""Lines of text for the terminal's width: sentences are wrapped, rows of tables stay as they are."""

from __future__ import annotations

import re
import shutil
import textwrap
from collections.abc import Iterable, Iterator, Sequence

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


def table_lines(
    heads: Sequence[str], rows: Iterable[tuple[str, Sequence[str]]], *, width: int
) -> Iterator[str]:
    """Give a table with a name before each row, set in; where the terminal is too narrow a line for each figure that there is."""
    every = [("", tuple(heads)), *((name, tuple(cells)) for name, cells in rows)]
    widest = max(len(name) for name, _ in every)
    columns = [max(map(len, column)) for column in zip(*(cells for _, cells in every), strict=True)]
    if 2 + widest + sum(2 + column for column in columns) <= width:
        for name, cells in every:
            row = "".join(f"  {cell:>{column}}" for cell, column in zip(cells, columns, strict=True))
            yield f"  {name:<{widest}}{row}".rstrip()
        return
    most = max(map(len, heads))
    for name, cells in every[1:]:
        yield f"  {name}"
        set_in = " " * (len(name) - len(name.lstrip()) + 4)
        yield from (
            f"{set_in}{head:<{most}}  {cell}" for head, cell in zip(heads, cells, strict=True) if cell
        )


def _fitted(line: str, width: int) -> list[str]:
    if len(line) <= width or _TABLE.search(line):
        return [line.rstrip()]
    together = line.replace(" %", f"{_NO_BREAK}%")  # a number stays with its sign
    rows = textwrap.wrap(together, width, break_long_words=False, break_on_hyphens=False)
    return [row.replace(_NO_BREAK, " ") for row in rows]
