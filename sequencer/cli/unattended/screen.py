"""What a series shows: on standard output what came of each run, on standard error what it does and, at a terminal, what it waits for."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import click

from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.cli.unattended.words import event_lines, moment
from sequencer.run.series.events import (
    Ended,
    RunCame,
    SeriesBegan,
    SeriesEnded,
    SeriesEvent,
    StartsLeftOut,
    Trouble,
    UnitSkipped,
    Waits,
)
from sequencer.run.series.turn import RunReport, Turn

if TYPE_CHECKING:
    from rich.console import Console
    from rich.live import Live


class SeriesScreen:
    """Listens to a series. ``whole``: the one run is shown in full by whoever makes it, so that little is said here.

    ``failed`` says why standard output was cut short, where it was.
    """

    def __init__(self, console: Console, *, as_json: bool, whole: bool) -> None:
        self._console = console
        self._as_json = as_json
        self._whole = whole
        self._waiting: Live | None = None
        self._last = ""
        self.failed = ""

    def __call__(self, event: SeriesEvent) -> None:
        """Take one event."""
        self._wait_no_more()
        match event:
            case SeriesBegan() if not self._whole:
                first, *others = event_lines(event)
                self._say([f"The series {first}", *others])
            case StartsLeftOut() | UnitSkipped() | Trouble():
                self._say(event_lines(event))
            case Waits():
                self._wait(event)
            case RunCame():
                self._came(event)
            case SeriesEnded():
                self._ended(event)

    def show_json(self, plain: dict[str, Any], turn: Turn) -> None:
        """Write a run as one line of JSON; ``series`` in it says which run and which try it was."""
        where = {"run": turn.number, "of": turn.of, "try": turn.attempt}
        self._out([json.dumps({**plain, "series": where}, ensure_ascii=False)])

    def _came(self, event: RunCame) -> None:
        self._last = f", last: {_outcome(event.report)}"
        lines = event_lines(event)
        lines[0] = f"{moment(event.time)}  {lines[0]}"
        if self._as_json or (self._whole and event.report.run):
            if not event.final:
                self._say(lines[:1])
        elif event.report.run:
            self._out(lines)
        else:  # it could not begin
            self._say(lines)

    def _ended(self, event: SeriesEnded) -> None:
        if self._whole and event.why is Ended.DONE and not event.summary.tried_again:
            return  # a single run has said it all
        first, *others = event_lines(event)
        last = event.report.last_line if event.report is not None else ""
        self._say([f"The series {first}", *others, last or "Nothing was sent to the bench."])

    def _wait(self, event: Waits) -> None:
        if not self._console.is_terminal:
            return
        from rich.live import Live
        from rich.text import Text

        what = event_lines(event)[0]
        self._waiting = Live(
            Text(f"{what}{self._last}", style="dim"),
            console=self._console,
            transient=True,
            auto_refresh=False,
        )
        self._waiting.start(refresh=True)

    def _wait_no_more(self) -> None:
        if self._waiting is not None:
            self._waiting.stop()
            self._waiting = None

    def _say(self, lines: list[str]) -> None:
        with reader_may_be_gone(sys.stderr):
            click.echo("\n".join(lines), err=True)

    def _out(self, lines: list[str]) -> None:
        with reader_may_be_gone(sys.stdout) as shown:
            click.echo("\n".join(lines))
        self.failed = self.failed or shown.failed


def _outcome(report: RunReport) -> str:
    return ("passed", "limits not met", "could not begin", "bench failed", "interrupted")[int(report.status)]
