"""What a person sees: figures whole at every width, levels beside their voltages, words for limits and times."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from sequencer.cli.screens.screen import ProgressScreen, results_table, run_lines
from sequencer.results.model import Result
from sequencer.results.text import limits_text, value_text
from sequencer.run.events import CheckStarted
from sequencer.uncertainty.decision import Decision
from tests.support.stored_rows import row


def _row(**changes: Any) -> Result:
    facts: dict[str, Any] = {
        "value": -120.07,
        "uncertainty": 0.89,
        "upper_limit": -113.0,
        "decision": Decision.PASS,
    }
    facts |= changes
    return replace(row(facts.pop("value")), **facts)


def _shown(rows: list[Result], width: int, title: str = "Title") -> str:
    file = io.StringIO()
    Console(file=file, width=width).print(results_table(rows, title, width=width))
    return file.getvalue()


ROWS = [
    _row(
        quantity="confirmed: squelch open",
        value=1.0,
        unit="",
        channel=None,
        decision=Decision.NO_LIMIT,
        uncertainty=None,
    ),
    _row(
        quantity="carrier power after 20 s",
        value=3.67,
        unit="W",
        uncertainty=0.21,
        lower_limit=3.0,
        upper_limit=4.0,
    ),
    _row(
        quantity="peak deviation, positive",
        value=1813.0,
        unit="Hz",
        uncertainty=17.0,
        decision=Decision.CONDITIONAL_FAIL,
    ),
    _row(),
    _row(quantity="S9 point", value=-72.95, lower_limit=-79.0, upper_limit=-67.0, decision=Decision.FAIL),
    _row(value=None, uncertainty=None, decision=Decision.NOT_MEASURED, note="never reached after 9 readings"),
]


@pytest.mark.parametrize("width", [60, 80, 100, 120, 200])
def test_figures_are_never_broken_and_lines_never_too_long(width: int) -> None:
    """At 60 columns and more every value stands whole on a line with its unit, and no line runs over."""
    shown = _shown(ROWS, width)
    for figure in (
        "(3.67 ± 0.21) W",
        "(-120.07 ± 0.89) dBm",
        "3 to 4 W",
        "-79.0 to -67.0 dBm",
        "at most -113.0 dBm",
    ):
        assert figure in shown
    assert "0.222 µV pd" in shown  # -120.07 dBm in 50 ohm: sqrt(50 x 1e-3 x 10^-12.007) = 0.222 µV
    assert "0.444 µV emf" in shown  # the same, unloaded: twice that
    assert all(len(line.rstrip()) <= width for line in shown.splitlines())


@pytest.mark.parametrize("width", [60, 80, 120])
def test_words_are_broken_between_words_only(width: int) -> None:
    """Quantities wrap at blanks: each word of them stands whole on the screen."""
    shown = _shown(ROWS, width)
    for word in ("sensitivity,", "deviation,", "conditional", "measured"):
        assert re.search(rf"(?<!\w){re.escape(word)}(?!\w)", shown), word


def test_a_confirmation_stands_above_the_table_with_who_gave_it() -> None:
    """A yes is no figure: it stands on a line of its own, and a no with its decision."""
    given_row = _row(
        quantity="confirmed: x",
        value=1.0,
        unit="",
        note="stated",
        decision=Decision.NO_LIMIT,
        uncertainty=None,
    )
    shown = _shown(
        [given_row, _row(quantity="confirmed: y", value=0.0, unit="", note="not so", decision=Decision.FAIL)],
        80,
    )
    assert "confirmed: x: yes (stated)\n" in shown.replace(" \n", "\n").replace("  ", "")
    assert "confirmed: y: no (not so) - fail" in shown


def test_equal_notes_share_one_number() -> None:
    """A note that many rows share is printed once."""
    shown = _shown([_row(note="same"), _row(note="same"), _row(note="other")], 80)
    assert shown.count("same") == 1
    assert "1 same" in shown
    assert "2 other" in shown


@pytest.mark.parametrize(
    "hostile", ["[bold]x[/]", "[/nothing]", "\x1b[31mred", "a\u202eb", "[link=http://x]y"]
)
def test_nothing_in_a_text_acts_on_the_terminal(hostile: str) -> None:
    """Markup and escape sequences in names, notes and titles are shown as text, never followed."""
    shown = _shown([_row(quantity=hostile, note=hostile)], 120, title=hostile)
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert shown.count(hostile.encode("unicode_escape").decode()) == 3


def test_progress_takes_labels_as_text() -> None:
    """A step's label with what looks like markup is shown, and does not end the run."""
    file = io.StringIO()
    console = Console(file=file, force_terminal=True, width=100)
    with ProgressScreen(console) as screen:
        from sequencer.run.events import RunStarted

        started: Any = RunStarted.__new__(RunStarted)
        for name, fact in (("checks", 2), ("forecast_s", 5.0)):
            object.__setattr__(started, name, fact)
        screen(started)
        screen(CheckStarted(index=0, label="confirm: [/x] \x1b[2J", remaining_s=5.0))
    assert "[/x]" in file.getvalue()
    assert "\x1b[2J" not in file.getvalue()


def test_progress_is_silent_where_nobody_watches() -> None:
    """Into a file or a pipe nothing of the progress is written."""
    file = io.StringIO()
    with ProgressScreen(Console(file=file)) as screen:
        screen(CheckStarted(index=0, label="x", remaining_s=5.0))
    assert file.getvalue() == ""


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"lower_limit": 3.0, "upper_limit": 4.0, "unit": "W"}, "3 to 4 W"),
        ({"lower_limit": 0.5, "upper_limit": 4.0, "unit": "W"}, "500 mW to 4 W"),
        ({"lower_limit": -600.0, "upper_limit": 600.0, "unit": "Hz"}, "± 600 Hz"),
        ({"lower_limit": None, "upper_limit": -113.0}, "at most -113.0 dBm"),
        ({"lower_limit": 3.0, "upper_limit": None, "unit": "W"}, "at least 3 W"),
        ({"lower_limit": None, "upper_limit": None}, ""),
    ],
)
def test_limits_in_words(changes: dict[str, Any], text: str) -> None:
    """Limits are said as people say them, one unit for both where it is the same."""
    assert limits_text(_row(**changes)) == text


def test_what_was_not_measured_has_no_figure() -> None:
    """No reading is a dash, an unknown uncertainty is said, never a number made up."""
    assert value_text(_row(value=None)) == "—"
    assert value_text(_row(uncertainty=float("inf"))).startswith("-120.1 dBm ± unknown")


def test_what_else_is_said_of_a_run_is_one_line_each() -> None:
    """Run and table can be copied whole: they are not wrapped."""
    file = io.StringIO()
    console = Console(file=file, width=40)
    console.print(
        run_lines(run="r" * 60, rule="simple", table="/t/" + "x" * 90, bench_s=61.0), soft_wrap=True
    )
    assert file.getvalue().splitlines() == [
        "rule        simple",
        "bench time  61 s",
        "run         " + "r" * 60,
        "table       /t/" + "x" * 90,
    ]


@given(width=st.integers(40, 200), value=st.floats(-150, 20), uncertainty=st.floats(0.001, 50))
def test_any_level_stands_whole_at_any_width(width: int, value: float, uncertainty: float) -> None:
    """The value with its uncertainty and unit is found in one piece from 40 columns up."""
    row = _row(value=value, uncertainty=uncertainty)
    assert value_text(row).splitlines()[0] in _shown([row], width)
