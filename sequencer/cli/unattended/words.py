"""What is said of a series, a line an event: on the screen and in the log alike."""

from __future__ import annotations

from datetime import datetime

from sequencer.cli.unattended.report import printable_lines, wrong_lines
from sequencer.problems import printable
from sequencer.run.series.events import (
    Ended,
    RunBegins,
    RunCame,
    SeriesBegan,
    SeriesEnded,
    SeriesEvent,
    StartsLeftOut,
    Trouble,
    UnitSkipped,
    Waits,
)
from sequencer.run.series.timetable import Timetable
from sequencer.run.series.turn import RunReport, SeriesUnit
from sequencer.units.format import counted, time_text

STOPPED_BY = {
    "SIGINT": "Ctrl-C",
    "SIGTERM": "SIGTERM",
    "SIGHUP": "a terminal that was closed",
    "SIGQUIT": "Ctrl-\\",
}


def moment(time: datetime) -> str:
    """Return a moment with its zone: 2026-11-27 22:30:00 +0100."""
    return f"{time:%Y-%m-%d %H:%M:%S %z}"


def timetable_text(table: Timetable) -> str:
    """Return in words when runs are made."""
    said = [
        counted(table.repeat, "run")
        if table.repeat is not None
        else "runs"
        if table.every_s or table.until
        else "one run",
        f"every {time_text(table.every_s)}" if table.every_s is not None else "",
        f"none that would end after {moment(table.until)}" if table.until is not None else "",
    ]
    endless = table.repeat is None and table.until is None and table.every_s is not None
    return ", ".join(filter(None, said)) + (", until somebody stops it" if endless else "")


def unit_text(unit: SeriesUnit) -> str:
    """Return a unit with its model and what the list says of it."""
    text = f"{unit.model} {unit.serial}".strip()
    return printable(f"{text} ({unit.comment})" if unit.comment else text)


def event_lines(event: SeriesEvent) -> list[str]:
    """Return what an event says, a line each; the first is whole by itself."""
    match event:
        case SeriesBegan():
            return _began(event)
        case Waits():
            what = f"{event.turn} begins" if event.turn.attempt == 1 else f"it is tried again ({event.turn})"
            return [f"waiting; {what} at {moment(event.begins)}"]
        case StartsLeftOut():
            slept = "this computer was suspended, or this program stood still, when they were due"
            why = slept if event.slept else f"the run before took {time_text(event.took_s)}"
            return [f"{counted(event.count, 'start')} left out: {why}"]
        case RunBegins():
            return [f"{event.turn} begins: {unit_text(event.turn.unit)}"]
        case RunCame():
            return _came(event)
        case UnitSkipped():
            return [f"{event.turn}: {unit_text(event.turn.unit)} left out by the person at the bench"]
        case Trouble():
            return printable_lines(event.text)
        case SeriesEnded():
            return ended_lines(event)


def _began(event: SeriesBegan) -> list[str]:
    several = len(event.units) > 1
    what = f"{len(event.units)} units, one after another" if several else unit_text(event.units[0])
    when = f", {timetable_text(event.timetable)}" if not several or event.timetable.until is not None else ""
    lines = [f"begins: {printable(event.sequence)} on {printable(event.bench)}: {what}{when}"]
    lines += event.carried
    if event.virtual:
        lines.append(
            "the bench is simulated in virtual time: nothing is waited for, and these are the times of its clock"
        )
    return lines


def _came(event: RunCame) -> list[str]:
    report = event.report
    took = f", {time_text(report.bench_s)}" if report.bench_s else ""
    lines = [
        f"{event.turn}: {printable(report.serial)}: {report.verdict} (status {int(report.status)}{took})"
    ]
    lines += [f"  {line}" for line in wrong_lines(report)]
    if not report.safe and (last := f"  {printable(report.last_line)}") not in lines:
        lines.append(last)
    return lines


def ended_lines(event: SeriesEnded) -> list[str]:
    """Return how a series ended: what came of its runs, why it made no more, and where results stand."""
    why = event.why.value
    if event.why is Ended.SIGNAL and event.signal:
        why += f" ({STOPPED_BY.get(event.signal, event.signal)})"
    stopped = [event.report.batch_stopped] if event.report is not None and event.report.batch_stopped else []
    rest = ["The same command makes what is left of it."] if event.leaves_rest else []
    return [f"ended because {why}; {event.summary.counts()}.", *rest, *stopped, *stands_lines(event.report)]


def stands_lines(report: RunReport | None) -> list[str]:
    """Return where results stand; nothing where there are none."""
    if report is None or not report.store:
        return []
    return [
        f"Results: store {printable(report.store)}, and a table for each run, the last of them {printable(report.table)}"
    ]
