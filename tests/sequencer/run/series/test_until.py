"""`--until`: the moment meant, also over midnight and over a change of summer time.

Outside the project: the IANA time zone database, read by the standard library's zoneinfo; the operating system's own time functions,
which the code uses, are another reader of it.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from sequencer.problems import InputError
from sequencer.run.series.until import parse_until

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.fixture(autouse=True)
def in_vienna(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Set the process's zone to one with summer time."""
    monkeypatch.setenv("TZ", "Europe/Vienna")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def _at(*when: int, fold: int = 0) -> datetime:
    return datetime(*when, tzinfo=VIENNA, fold=fold)  # type: ignore[arg-type,misc]


@pytest.mark.parametrize(
    ("text", "now", "meant"),
    [
        ("06:00", _at(2026, 11, 27, 22, 30), _at(2026, 11, 28, 6)),
        ("23:15", _at(2026, 11, 27, 22, 30), _at(2026, 11, 27, 23, 15)),
        ("22:30", _at(2026, 11, 27, 22, 30), _at(2026, 11, 28, 22, 30)),
        ("6:00", _at(2026, 12, 31, 22, 0), _at(2027, 1, 1, 6)),
        ("2026-11-28 06:00", _at(2026, 11, 27, 22, 30), _at(2026, 11, 28, 6)),
        ("2026-11-28T06:00+00:00", _at(2026, 11, 27, 22, 30), datetime(2026, 11, 28, 6, tzinfo=UTC)),
        ("2027-11-28 22:30", _at(2026, 11, 27, 22, 30), _at(2027, 11, 28, 22, 30)),  # the furthest: 366 days
        ("2026-11-28T06:00Z", _at(2026, 11, 27, 22, 30), datetime(2026, 11, 28, 6, tzinfo=UTC)),
        # summer time ends on 25 October 2026 at 03:00, which is 02:00 again: 02:30 comes twice, the first is meant
        ("02:30", _at(2026, 10, 24, 22, 0), _at(2026, 10, 25, 2, 30, fold=0)),
        ("06:00", _at(2026, 10, 24, 22, 0), _at(2026, 10, 25, 6)),
        # it begins on 28 March 2027 at 02:00: there is no 02:30, and 03:30 is half an hour after the change
        ("02:30", _at(2027, 3, 27, 22, 0), _at(2027, 3, 28, 3, 30)),
        ("06:00", _at(2027, 3, 27, 22, 0), _at(2027, 3, 28, 6)),
    ],
)
def test_the_moment_that_is_meant(text: str, now: datetime, meant: datetime) -> None:
    """A time of day is the next of that name; a date with a time is in its own zone, or in the local one."""
    found = parse_until(text, now.astimezone())
    assert found == meant.astimezone(UTC)
    assert found.utcoffset() is not None


def test_a_night_over_the_change_has_an_hour_more() -> None:
    """From 22:00 to 06:00 on the night when summer time ends it is nine hours."""
    now = _at(2026, 10, 24, 22, 0).astimezone(UTC)
    assert (parse_until("06:00", now.astimezone()) - now).total_seconds() == 9 * 3600


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("6", "not a moment"),
        ("25:00", "no time of day"),
        ("06:60", "no time of day"),
        ("tomorrow", "not a moment"),
        ("2026-11-28", "a date without a time"),
        ("2026-11-26 06:00", "past; it is 2026-11-27 22:30 \\+0100 now"),
        ("2026-11-27 22:30", "past; it is 2026-11-27 22:30 \\+0100 now"),  # no time is left
        ("2027-11-28 22:31", "more than 366 days ahead"),
        ("2028-11-26 06:00", "more than 366 days ahead"),
        ("9999-12-31T23:59-23:00", "more than 366 days ahead|not a moment of this age"),
        ("0001-01-01T00:00", "past|not a moment of this age"),
        ("06:00+01:00", "not a moment"),
        ("\x1b[31m06:00", "not a moment"),
        ("", "not a moment"),
    ],
)
def test_what_is_no_moment_is_told_what_would_be(text: str, said: str) -> None:
    """The complaint names the option, what was wrong, and how one is written."""
    with pytest.raises(InputError, match=said) as raised:
        parse_until(text, _at(2026, 11, 27, 22, 30))
    assert "--until" in str(raised.value)
    assert "06:00" in raised.value.complaints[0].allowed
    assert "\x1b" not in str(raised.value)
