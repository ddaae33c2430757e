"""Results of many runs on the screen, a line each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from sequencer.problems import printable
from sequencer.results.text import value_in_words, with_minus


def listing_table(rows: Iterable[Mapping[str, Any]]) -> Table:
    """Return results as a table: when, which unit, what was found, how it was decided, in which run."""
    table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading in ("time", "unit", "ch", "quantity", "value ± U (95 %)", "decision", "run"):
        table.add_column(heading, justify="right" if heading == "ch" else "left")
    for row in rows:
        table.add_row(
            str(row["time"])[:16].replace("T", " "),
            Text(printable(str(row["serial"]))),
            "" if row["channel"] is None else str(row["channel"]),
            Text(printable(str(row["quantity"]))),
            Text(printable(with_minus(value_in_words(row)))),
            str(row["decision"]) if row["counts"] else f"({row['decision']})",
            Text(printable(str(row["run"])), overflow="fold"),
        )
    return table
