"""Which options of `run` go with a series, and what they make of it: refused where they say nothing together, each with its reason."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from sequencer.cli.run import Asked
from sequencer.cli.unattended.options import Unattended
from sequencer.inputs.lists.unit_list import ListedUnit
from sequencer.problems import Complaint, FileProblems, option_problem
from sequencer.run.series.addresses import complaint, has_library, read_addresses
from sequencer.run.series.notify import Channel, ServiceChannel, command_channel, find_unusable, missing_extra
from sequencer.run.series.timetable import LEAST_EVERY_S, MOST_EVERY_S, Timetable
from sequencer.run.series.until import parse_until
from sequencer.units.format import counted, time_text
from sequencer.units.parse import TIME, QuantityError, parse_quantity


def refuse_together(asked: Asked, series: Unattended) -> None:
    """Raise InputError for options that contradict each other, all at once."""
    complaints = list(_odd(asked, series))
    if complaints:
        raise FileProblems(complaints)


def _odd(asked: Asked, series: Unattended) -> Iterator[Complaint]:
    several = series.units is not None or series.repeat not in (None, 1) or series.every or series.until
    if series.units is not None and asked.serial:
        yield _complaint("--serial", "the units stand in the list of --units", "one of the two")
    for option, given in (("--repeat", series.repeat is not None), ("--every", bool(series.every))):
        if series.units is not None and given:
            yield _complaint(
                option,
                "each unit of a list is measured once: for another round somebody connects each of them again",
                "--units without it; call the command again for another round",
            )
    if asked.chosen.again and several:
        yield _complaint(
            "--again",
            "it repeats a check of one earlier run, once",
            "--again without --repeat, --every, --until and --units",
        )
    if asked.chosen.entered and several:
        yield _complaint(
            "--entered",
            "a reading given beforehand is of one run; in a series it would stand in every one",
            "a single run, or a terminal at which it is asked for each time",
        )


def nobody_to_connect(bench: Path | str, count: int) -> FileProblems:
    """Return the complaint that somebody must connect each unit, and cannot be asked to."""
    return option_problem(
        "--units",
        f"somebody connects each of the {counted(count, 'unit')} to the bench {bench}, and there is no terminal to ask at",
        allowed="a terminal with somebody at the bench, or a simulated bench",
        hint="no bench file can state a way to switch from one unit to the next, so that a list never runs unattended on a real bench; "
        "'sequencer line' works with a handler that changes units, or with units in several positions",
    )


def timetable_of(series: Unattended, now: datetime, units: int) -> Timetable:
    """Return when runs are made of so many units of a list (0: none is given). Raises InputError."""
    every_s = None
    if series.every:
        try:
            every_s = parse_quantity(series.every, TIME)
        except QuantityError as wrong:
            raise option_problem("--every", wrong.problem, found=series.every[:60], allowed=_EVERY) from wrong
        if not LEAST_EVERY_S <= every_s <= MOST_EVERY_S:
            raise option_problem(
                "--every",
                f"{time_text(every_s)} from start to start",
                found=series.every[:60],
                allowed=_EVERY,
            )
    endless = bool(series.every or series.until)
    return Timetable(
        repeat=units or series.repeat or (None if endless else 1),
        every_s=every_s,
        until=parse_until(series.until, now) if series.until else None,
    )


_EVERY = "a time with its unit from 1 s to 168 h, such as '30 min'"


def refuse_no_room(timetable: Timetable, now: datetime, forecast_s: float) -> None:
    """Raise InputError where not even the first run ends in time."""
    if not timetable.has_room(now, forecast_s):
        assert timetable.until is not None
        raise option_problem(
            "--until",
            f"a run takes about {time_text(forecast_s)}, and would not end by {timetable.until:%Y-%m-%d %H:%M %z}",
            allowed="a later time",
        )


def channels_of(series: Unattended) -> list[Channel]:
    """Return how somebody is told. Raises InputError; nothing is sent."""
    channels: list[Channel] = []
    if series.notify:
        channels.append(command_channel(series.notify))
    if series.notify_file is not None:
        addresses = read_addresses(series.notify_file)
        if not has_library():
            raise missing_extra()
        if unusable := find_unusable(addresses):
            raise FileProblems(
                complaint(
                    series.notify_file,
                    one.line,
                    "no notification service is known for this address, or it is not whole",
                )
                for one in unusable
            )
        channels.append(ServiceChannel(addresses))
    return channels


def listed_or_one(asked: Asked, units: tuple[ListedUnit, ...]) -> list[tuple[Asked, str, int]]:
    """Return what is asked of each run, with the unit's comment and its line in the list (0 without one)."""
    from dataclasses import replace

    if not units:
        return [(asked, "", 0)]
    return [
        (replace(asked, serial=one.serial, model=one.model or asked.model), one.comment, one.line)
        for one in units
    ]


def _complaint(option: str, message: str, allowed: str) -> Complaint:
    return Complaint(file=option, message=message, allowed=allowed)
