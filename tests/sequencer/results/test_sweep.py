"""A channel sweep as a reader is shown it: a line per quantity and decision, and nothing that failed out of sight."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from sequencer.results.stored import StoredResult
from sequencer.results.sweep import folded, is_folded
from sequencer.uncertainty.decision import Decision
from tests.support.stored_rows import row


def power(channel: int, value: float | None, **other: Any) -> StoredResult:
    """Return one channel's carrier power in a sweep, with limits of 3 to 4 W."""
    facts: dict[str, Any] = {"lower_limit": 3.0, "upper_limit": 4.0, "uncertainty": 0.1} | other
    return row(value, check="channel_sweep", channel=channel, quantity="carrier power", unit="W", **facts)


def error(channel: int, value: float, **other: Any) -> StoredResult:
    """Return one channel's frequency error in a sweep."""
    return row(value, check="channel_sweep", channel=channel, quantity="frequency error", unit="Hz", **other)


def test_one_line_a_quantity_with_the_worst_channel() -> None:
    """Power and frequency of 40 channels are two lines, each the channel nearest to its limit; its note says which channels."""
    rows = [
        one
        for channel in range(1, 41)
        for one in (
            power(channel, 3.5 + 0.01 * channel),
            error(channel, 500.0 if channel == 7 else 10.0, lower_limit=-600.0, upper_limit=600.0),
        )
    ]
    shown = folded(rows)
    assert [(one.channel, one.quantity, one.value) for one in shown] == [
        (40, "carrier power, worst of 40 channels", 3.9),
        (7, "frequency error, worst of 40 channels", 500.0),
    ]
    assert shown[0].note == "channels 1 to 40"
    assert is_folded(rows, shown)


def test_what_failed_stands_beside_what_passed() -> None:
    """Channels that failed are no part of the line of those that passed; few of them stand each for itself."""
    rows = [power(channel, 2.5 if channel in (3, 9) else 3.5) for channel in range(1, 41)]
    shown = folded(rows)
    assert [(one.channel, one.decision, one.quantity) for one in shown] == [
        (1, Decision.PASS, "carrier power, worst of 38 channels"),
        (3, Decision.FAIL, "carrier power"),
        (9, Decision.FAIL, "carrier power"),
    ]
    assert shown[0].note == "channels 1, 2, 4 to 8, 10 to 40"


def test_what_was_not_measured_keeps_its_reasons() -> None:
    """Channels without a reading are a line with each reason once."""
    rows = [
        power(channel, None, note="meter under range" if channel < 3 else "no answer")
        for channel in range(1, 6)
    ]
    (shown,) = folded(rows)
    assert shown.quantity == "carrier power, on 5 channels"
    assert shown.note == "channels 1 to 5; meter under range; no answer"


def test_what_others_notes_say_is_named_with_of_how_many() -> None:
    """The worst channel's note stands first; what differs from it in figures only is not repeated, doubts of others are."""
    rows = [power(channel, 3.5, note=f"{channel} mV at 1000 Hz") for channel in range(1, 8)]
    rows[0] = power(1, 3.1, note="1.2 V at 1000 Hz")
    rows[3] = power(4, 3.5, note="4 mV at 1000 Hz; the meter's zero moved by 2 mW; read it again")
    rows[5] = power(6, 3.5, note="6 mV at 1000 Hz; the meter's zero moved by 300 µW; read it again")
    (shown,) = folded(rows)
    assert shown.note == (
        "channels 1 to 7; 1.2 V at 1000 Hz; of 2 other channels: the meter's zero moved by 2 mW; read it again"
    )


def test_more_notes_than_fit_are_counted() -> None:
    """Two kinds are named, the rest is counted in channels; the worst that has no note hides none either."""
    rows = [power(1, 3.1), *(power(2 + at, 3.5, note=f"doubt {word}") for at, word in enumerate("abcd"))]
    (shown,) = folded(rows)
    assert shown.note == (
        "channels 1 to 5; of 1 other channel: doubt a; of 1 other channel: doubt b; of 2 other channels yet another note"
    )


def test_without_limits_what_neither_end_says_stands_once() -> None:
    """Beside the highest."""
    rows = [
        error(channel, float(channel), note="counted" if channel in (1, 9) else "")
        for channel in range(1, 10)
    ]
    rows[4] = error(5, 5.0, note="in doubt")
    assert [one.note for one in folded(rows)] == [
        "channels 1 to 9; counted",
        "channels 1 to 9; counted; of 1 other channel: in doubt",
    ]


def test_without_limits_both_ends_are_shown() -> None:
    """Nothing is worst where nothing is asked for: lowest and highest stand there."""
    shown = folded([error(channel, float(channel)) for channel in range(1, 11)])
    assert [(one.channel, one.quantity) for one in shown] == [
        (1, "frequency error, lowest of 10 channels"),
        (10, "frequency error, highest of 10 channels"),
    ]


def test_channels_that_were_refused_are_one_answer() -> None:
    """Three refusals outside the plan are one line with the channels' numbers."""
    refused = [
        row(
            1.0,
            check="channel_sweep",
            channel=channel,
            quantity="refused outside the plan",
            unit="",
            lower_limit=1.0,
        )
        for channel in (41, 42, 80)
    ]
    (shown,) = folded(refused)
    assert shown.quantity == "refused outside the plan, channels 41, 42, 80"


def test_only_a_sweep_is_folded_and_two_sweeps_are_two() -> None:
    """Another check's channels stay as they are; a sweep in AM is not the one in FM."""
    others = [row(3.5, check="carrier_power", channel=channel, unit="W") for channel in range(1, 20)]
    assert folded(others) == others
    twice = [power(channel, 3.5, mode=mode) for mode in ("FM", "AM") for channel in range(1, 11)]
    assert [one.mode for one in folded(twice)] == ["FM", "AM"]


@given(st.lists(st.one_of(st.none(), st.floats(0.1, 10.0)), max_size=40))
def test_no_decision_is_lost(values: list[float | None]) -> None:
    """Whatever was found: each decision of the sweep stands on a line, and no worse room is hidden behind a better one."""
    rows = [power(channel, value) for channel, value in enumerate(values, start=1)]
    shown = folded(rows)
    assert {one.decision for one in shown} == {one.decision for one in rows}
    for decision in {one.decision for one in rows} - {Decision.NOT_MEASURED}:
        rooms, shown_rooms = (
            [
                min(one.value - 3.0, 4.0 - one.value)
                for one in some
                if one.decision is decision and one.value is not None
            ]
            for some in (rows, shown)
        )
        assert min(rooms) == min(shown_rooms)
