"""A comparison in one table: each difference that counts is a row, the others are counted, and nothing breaks at any width."""

from __future__ import annotations

import io
from collections.abc import Sequence

import pytest
from rich.console import Console

from sequencer.analysis.compare import Group, compare
from sequencer.cli.screens.differences_screen import differences_screen
from sequencer.results.stored import StoredResult
from tests.support.stored_rows import level_row, row


def _shown(groups: Sequence[Group], width: int = 80) -> str:
    file = io.StringIO()
    Console(file=file, width=width).print(differences_screen(compare(groups), width=width))
    return file.getvalue()


def _unit(serial: str, *levels: float) -> Group:
    """Return a unit with a sensitivity on each channel from 1 on."""
    rows = [
        level_row(level, serial=serial, run=serial, channel=at, frequency_hz=27e6 + at)
        for at, level in enumerate(levels, start=1)
    ]
    return Group(name=serial, rows=tuple(rows))


EIGHT = [
    _unit(f"M40-{number:04}", -120.0, -120.0, -110.0 if number == 5 else -120.0) for number in range(1, 9)
]


@pytest.mark.parametrize("width", [40, 60, 80, 132])
def test_eight_units_are_one_screen(width: int) -> None:
    """Of 21 differences one counts: one row, less than a screen of lines at any width, and no line runs over."""
    shown = _shown(EIGHT, width)
    lines = shown.splitlines()
    assert len(lines) <= 24
    assert all(len(line.rstrip()) <= width for line in lines)
    assert shown.count("M40-0005") == 1
    assert "(−110.0" in shown
    assert "M40-0004" not in shown
    assert "No significant difference 20, differs 1." in " ".join(shown.split())


def test_what_it_differs_from_is_named() -> None:
    """The heading names the unit that the others are held against, and E_n has a column where there is room."""
    assert "from M40-0001" in _shown(EIGHT)
    assert "E_n" not in _shown(EIGHT)
    assert "E_n" in _shown(EIGHT, 132)


def test_without_a_difference_that_is_said() -> None:
    """Two equal units leave no table, and the count says so."""
    shown = _shown([_unit("A", -120.0), _unit("B", -120.0)])
    assert "unit or" not in shown
    assert "No significant difference 1." in shown


def test_what_was_not_measured_or_is_not_comparable_is_told_with_its_reason() -> None:
    """A unit without a reading is a row; another frequency is counted, and the reason stands below."""
    silent = Group(name="B", rows=(row(None, run="B", serial="B", note="never reached"),))
    other = Group(name="C", rows=(level_row(-120.0, run="C", serial="C", frequency_hz=28e6),))
    shown = " ".join(_shown([Group(name="A", rows=(level_row(-120.0),)), silent, other]).split())
    assert "B – not measured" in shown
    assert "B, sensitivity, 12 dB SINAD: never reached." in shown
    assert "Not comparable:" in shown
    assert "frequency" in shown


def test_a_sweep_is_its_worst_channel() -> None:
    """A unit off frequency on forty channels is one row, with the largest difference and the channels' numbers below."""

    def sweep(serial: str, off_hz: float) -> Group:
        rows: list[StoredResult] = [
            row(
                off_hz + channel,
                uncertainty=0.5,
                check="channel_sweep",
                channel=channel,
                quantity="frequency error",
                unit="Hz",
                serial=serial,
                run=serial,
                upper_limit=600.0,
            )
            for channel in range(1, 41)
        ]
        return Group(name=serial, rows=tuple(rows))

    shown = " ".join(_shown([sweep("A", 0.0), sweep("B", 300.0)], 132).split())
    assert shown.count(" B ") == 1
    assert "worst of 40 channels" in shown
    assert "frequency error, B: differs on channels 1 to 40." in shown


@pytest.mark.parametrize("hostile", ["[bold]x[/]", "\x1b[31mred", "a\u202eb"])
def test_nothing_in_a_name_acts_on_the_terminal(hostile: str) -> None:
    """A group's name is shown as text at either width."""
    for width in (40, 100):
        shown = _shown([_unit("A", -120.0), Group(name=hostile, rows=_unit("B", -100.0).rows)], width)
        assert "\x1b" not in shown
        assert "\u202e" not in shown
        assert hostile.encode("unicode_escape").decode() in shown
