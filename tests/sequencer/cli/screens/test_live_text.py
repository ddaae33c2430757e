"""What the live screen says of a reading, by words and shapes alone."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.checks.live import LiveStart, LiveView
from sequencer.cli.screens import live_text

BAND = LiveView(
    preset="power", quantity="carrier power", unit="W", value=3.41, aim="band", low=3.7, high=3.9, to_go=0.39,
    way="on", steady=False, best=3.45, key_left_s=12.0, away_in_s=110.0,
)  # fmt: skip
PEAK = replace(
    BAND,
    quantity="SINAD",
    unit="dB",
    value=12.6,
    aim="maximum",
    low=None,
    high=None,
    to_go=None,
    best=13.0,
    past_best=0.4,
)
START = LiveStart(preset="power", text="RV4 beside the driver", quantity="carrier power", unit="W")


@pytest.mark.parametrize(
    ("view", "said"),
    [
        (BAND, "TOO LOW: 0.39 W to go, turn on"),
        (replace(BAND, way="back"), "TOO LOW: 0.39 W to go, turn the other way"),
        (replace(BAND, value=4.1, to_go=-0.3, way=""), "TOO HIGH: 0.30 W to go, turn a little"),
        (replace(BAND, value=3.8, to_go=0.0), "IN THE BAND"),
        (PEAK, "past the best, 0.40 dB back"),
        (replace(PEAK, value=13.0, past_best=0.0), "highest so far, turn on"),
        (replace(PEAK, value=13.0, past_best=0.0, way="back"), "at the highest so far"),
        (replace(PEAK, aim="minimum", past_best=0.0), "lowest so far, turn on"),
        (replace(BAND, value=None, note="over range"), "over range"),
    ],
)
def test_which_way_and_how_far_is_said_in_words(view: LiveView, said: str) -> None:
    """A person who sees no colour and hears no tone is told all the same."""
    assert live_text.where_to(view) == said


def test_the_bar_shows_the_band_and_the_value() -> None:
    """The band in brackets in its middle; the value left of it, in it, and beyond an end."""
    below = live_text.bar(BAND, 51)
    assert below.index("█") < below.index("[") < below.index("]")
    assert below.index("[") + below.index("]") == 50  # in the middle
    inside = live_text.bar(replace(BAND, value=3.8), 51)
    assert inside.index("[") < inside.index("█") < inside.index("]")
    assert live_text.bar(replace(BAND, value=1.0), 51).startswith("<")
    assert live_text.bar(replace(BAND, value=9.0), 51).endswith(">")
    assert "█" not in live_text.bar(replace(BAND, value=None), 51)


def test_the_bar_of_a_peak_marks_the_best_of_what_was_seen() -> None:
    """From the lowest seen at the left to the highest at the right."""
    shown = live_text.bar(PEAK, 41, seen=(9.0, 13.0))
    assert shown.index("*") == 40
    assert shown.index("█") == 36  # 3.6 dB of 4 dB


def test_block_letters_are_seven_lines_and_doubled_where_there_is_room() -> None:
    """Readable from two metres; never wider than the screen, nor ragged in height."""
    wide, narrow = live_text.block_letters("-312.50", 100), live_text.block_letters("-312.50", 60)
    assert len(wide) == len(narrow) == live_text.TALL
    assert max(map(len, wide)) > max(map(len, narrow))
    assert max(map(len, narrow)) <= 60
    # each digit has its own shape
    assert len({tuple(live_text.block_letters(digit, 60)) for digit in "0123456789"}) == 10


@pytest.mark.parametrize("width", [60, 80, 132])
@pytest.mark.parametrize(
    "view", [BAND, PEAK, replace(BAND, value=None, key_left_s=None, resting_s=9.0, note="x " * 90)]
)
def test_no_line_is_wider_than_the_screen_and_nothing_is_cut(width: int, view: LiveView) -> None:
    """From 60 columns on the keys, the time left and the target stand whole on it."""
    start = replace(START, turn_by=lambda share: None)
    lines = live_text.view_lines(start, view, width - 2, seen=(9.0, 13.0))
    assert max(map(len, lines)) <= width - 2
    assert len(lines) <= 24
    assert live_text.KEYS in lines
    assert live_text.TURNS in lines
    assert live_text.target_text(view) in lines
    assert live_text.key_text(view) in lines


def test_the_time_left_on_the_key_and_the_rest_are_counted_down() -> None:
    """Pressed: what is left before the unit must rest. Resting: what is left before it transmits again."""
    assert live_text.key_text(BAND) == "THE UNIT IS TRANSMITTING: 12 s left before it must rest"
    resting = replace(BAND, key_left_s=None, resting_s=7.0)
    assert live_text.key_text(resting) == "PTT released: resting, 7.0 s until it transmits again"


def test_decimals_follow_the_band() -> None:
    """A twentieth of the band is seen: 0.01 W of 0.2 W, whole hertz of 80 Hz; a minus sign before nought is left out."""
    assert live_text.figure_text(BAND, 3.4149) == "3.41"
    hertz = replace(BAND, unit="Hz", low=1860.0, high=1940.0)
    assert live_text.figure_text(hertz, 1812.4) == "1812"
    assert live_text.figure_text(BAND, -0.001) == "0.00"


def test_the_caution_stands_before_anything_is_turned() -> None:
    """What is turned, the caution, and how to begin, wrapped at words; the caution not where it was shown."""
    shown = live_text.start_lines(replace(START, caution="Mains is within reach. " * 5), 58)
    assert max(map(len, shown[:-1])) <= 58
    assert any(line.startswith("CAUTION: Mains") for line in shown)
    assert "CAUTION" not in "".join(live_text.start_lines(START, 58))


def test_a_unit_that_only_receives_is_not_said_to_transmit() -> None:
    """The last lines of the start page, for either side."""
    assert "may transmit" in " ".join(live_text.start_lines(START, 58))
    shown = " ".join(live_text.start_lines(replace(START, transmits=False), 58))
    assert "transmit" not in shown
    assert "Enter begins. s skips it" in shown


def test_a_low_screen_loses_empty_lines_only() -> None:
    """The last empty lines go first, and no more of them than it takes."""
    assert live_text.fitted(["a", "", "b", "", "c"], 4) == ["a", "", "b", "c"]
    assert live_text.fitted(["a", "", "b", "", "c"], 2) == ["a", "b", "c"]


@pytest.mark.parametrize("width", [20, 38, 58])
@pytest.mark.parametrize("height", range(8, 24))
def test_a_window_made_small_keeps_what_it_takes_to_be_safe(width: int, height: int) -> None:
    """However few the lines, whether the unit transmits, which way to turn, and the keys stand there whole; the letters go first."""
    start = replace(START, turn_by=lambda turns: None)
    for view in (BAND, replace(BAND, note="RV4; " + "x " * 40)):
        lines = live_text.view_lines(start, view, width, height=height)
        assert len(lines) <= height
        assert max(map(len, lines)) <= width
        shown = " ".join(" ".join(lines).split())
        assert "THE UNIT IS TRANSMITTING: 12 s left before it must rest" in shown
        if width >= 38:
            assert live_text.where_to(view) in shown
            assert "Enter keeps" in shown
            assert "? explains" in shown
            assert "█████" not in shown or "Without a key it ends by itself" in shown


def test_a_plain_line_says_the_same() -> None:
    """Where no screen can be drawn one line holds value, way, best and time."""
    said = live_text.plain_line(BAND)
    assert said == (
        "power 3.41 W; TOO LOW: 0.39 W to go, turn on; moving; best so far 3.45 W; "
        "THE UNIT IS TRANSMITTING: 12 s left before it must rest"
    )
