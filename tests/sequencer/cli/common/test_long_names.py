"""A run's name can be copied whole from a screen of 80 columns: it stands on one line wherever results name their run."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from rich.console import Console, RenderableType

from sequencer.analysis.compare import Group, compare
from sequencer.analysis.history import histories
from sequencer.cli.screens.comparison_screen import comparison_screen, history_screen
from sequencer.cli.screens.screen import listing_table
from tests.support.stored_rows import level_row

RUNS = ("20270302T100000-abc123-simulated", "20270402T100000-def456-simulated")
ROWS = [
    level_row(-120.0, run=RUNS[0], simulated=True),
    replace(level_row(-119.0, run=RUNS[1], simulated=True, time="2027-04-02T10:00:00.000+00:00"), id=2),
]


@pytest.mark.parametrize(
    "screen",
    [
        listing_table(ROWS),
        comparison_screen(compare([Group(name=row.run, rows=(row,)) for row in ROWS])),
        history_screen(histories(ROWS)),
    ],
    ids=["results", "compare", "history"],
)
def test_run_names_stand_whole_on_80_columns(screen: RenderableType) -> None:
    """Each on a line of its own behind the number that the table gives it, in the order of the table; no line is cut off."""
    console = Console(width=80, record=True, file=io.StringIO())
    console.print(screen)
    lines = [line.rstrip() for line in console.export_text().splitlines()]
    assert f"[1] {RUNS[0]}" in lines
    assert f"[2] {RUNS[1]}" in lines
    assert not any("…" in line for line in lines)
    first, second = (next(line for line in lines if key in line) for key in ("[1]", "[2]"))
    assert first != f"[1] {RUNS[0]}"
    assert second != f"[2] {RUNS[1]}"


def test_a_short_name_stands_in_the_table() -> None:
    """The serial of a unit needs no number."""
    console = Console(width=80, record=True, file=io.StringIO())
    groups = [Group(name="M40-0007", rows=(ROWS[0],)), Group(name="M40-0008", rows=(ROWS[1],))]
    console.print(comparison_screen(compare(groups)))
    shown = console.export_text()
    assert "M40-0008" in shown
    assert "[1]" not in shown
