"""The moment that `--until` names: a time of day, or a date with a time, in the local zone or in one that is written behind it."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta

from sequencer.problems import InputError, option_problem, printable

FURTHEST = timedelta(days=366)
_OF_DAY = re.compile(r"(\d{1,2}):(\d{2})", re.ASCII)
ALLOWED = "a local time of day such as 06:00, or a date with a time such as '2026-11-28 06:00' or 2026-11-28T06:00+01:00"


def parse_until(text: str, now: datetime, *, option: str = "--until") -> datetime:
    """Return the moment that ``text`` of ``option`` names, with its zone, at most `FURTHEST` after ``now`` (aware). Raises InputError.

    A time of day is the next one of that name, tomorrow's where today's has passed. Where a change to or from summer time leaves it out
    it is the moment as long after the change; where it comes twice it is the first.
    """
    said = text.strip()
    if (of_day := _OF_DAY.fullmatch(said)) is not None:
        return _next(option, said, int(of_day[1]), int(of_day[2]), now)
    try:
        moment = datetime.fromisoformat(said)
    except ValueError:
        raise _wrong(option, said, "not a moment") from None
    if not re.search(r"\d[T ]\d", said):
        raise _wrong(option, said, "a date without a time")
    try:
        moment = _with_zone(moment)
        far = moment - now > FURTHEST
    except (OverflowError, OSError, ValueError):
        raise _wrong(option, said, "not a moment of this age") from None
    if far:
        raise _wrong(option, said, f"more than {FURTHEST.days} days ahead")
    if moment <= now:
        raise _wrong(option, said, f"past; it is {now:%Y-%m-%d %H:%M %z} now")
    return moment


def _next(option: str, said: str, hour: int, minute: int, now: datetime) -> datetime:
    try:
        of_day = time(hour, minute)
    except ValueError:
        raise _wrong(option, said, "no time of day") from None
    for days in range(
        3
    ):  # the day of a change may have neither today's nor, once it is moved, tomorrow's in the future
        moment = _with_zone(datetime.combine(now.date() + timedelta(days=days), of_day))
        if moment > now:
            return moment
    raise AssertionError("tomorrow's is in the future")


def _with_zone(moment: datetime) -> datetime:
    """Return a moment with the local zone; `astimezone` alone puts one that a change leaves out before the change [measured: 3.11]."""
    return datetime.fromtimestamp(moment.timestamp(), UTC).astimezone()


def _wrong(option: str, said: str, why: str) -> InputError:
    return option_problem(option, f"'{printable(said)[:60]}' is {why}", found=said[:60], allowed=ALLOWED)
