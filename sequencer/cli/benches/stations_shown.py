"""What several stations show: a line for each bench, its question below, and what is being typed; plain lines away from a terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from sequencer.cli.benches.station import Station
from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.problems import printable
from sequencer.run.line.face import Face, Question, safe_line

if TYPE_CHECKING:
    from rich.console import Console, Group
    from rich.live import Live

DRAWN_S = 0.1
_STYLES = {
    "PASS": "bold black on green",
    "FAIL": "bold white on red",
    "NOT MEASURED": "bold black on yellow",
    "BENCH": "bold white on blue",
}
_KEYS = {"f2": "y", "f3": "n", "f4": "o"}


class StationsShown:
    """The one screen of several stations."""

    def __init__(self, stations: Sequence[Station], console: Console, *, is_table: bool) -> None:
        self._stations = stations
        self._console = console
        self._is_table = is_table
        self._live: Live | None = None
        self._drawn_s = 0.0
        self._typed = ""

    def begin(self) -> None:
        """Show the table, where there is one."""
        if self._is_table:
            from rich.live import Live

            self._live = Live(self._page(), console=self._console, transient=True, auto_refresh=False)
            self._live.start(refresh=True)

    def end(self) -> None:
        """Clear the table away."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def draw(self, typed: str) -> None:
        """Draw what stands there now, with what is being typed."""
        if self._live is not None and (typed != self._typed or time.monotonic() - self._drawn_s > DRAWN_S):
            self._drawn_s, self._typed = time.monotonic(), typed
            self._live.update(self._page(), refresh=True)

    def say(self, text: str, *, always: bool = True) -> None:
        """Say a line: above the table, or plainly on standard output."""
        if self._live is not None:
            self._console.print(printable(text), markup=False, highlight=False, soft_wrap=True)
        elif always:
            with reader_may_be_gone(sys.stdout):
                click.echo(printable(text))

    def _page(self) -> Group:
        from rich.box import SIMPLE_HEAD
        from rich.console import Group
        from rich.table import Table
        from rich.text import Text

        table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
        for heading in ("", "bench", "unit", "verdict", "unit may be changed", "what it does"):
            table.add_column(heading, no_wrap=heading != "what it does")
        lines = [Text("")]
        for one in self._stations:
            face = one.face
            verdict = face.verdict.value if face.verdict is not None else ""
            table.add_row(
                str(one.number),
                Text(printable(one.name)),
                Text(printable(face.serial)),
                Text(f" {verdict} " if verdict else "", style=_STYLES.get(verdict, "")),
                {
                    None: "",
                    True: f"{face.feels.upper()}: wait" if face.feels else "yes",
                    False: "DO NOT TOUCH",
                }[face.safe],
                Text(doing(one)),
            )
        for one in self._stations:
            if one.asks and one.face.question is not None:
                lines.append(
                    Text(
                        f"{one.number} {printable(one.name)} ASKS: {asked_text(one.face.question)}",
                        style="bold yellow",
                    )
                )
                break  # one at a time
        how = "number or name of the bench, then the unit; Ctrl-D: no more; Ctrl-C: stop all"
        return Group(table, *lines, Text(f"> {self._typed}"), Text(how, style="dim"))


def doing(one: Station) -> str:
    """Return in words what a station does."""
    if one.child is None:
        return "ended" if one.status is None or one.status >= 0 else "its process was killed"
    if one.asks:
        return "asks"
    if one.waits:
        return "scan the next unit"
    return printable(one.face.progress or one.face.phase)


def asked_text(question: Question) -> str:
    """Return a question with the letters that answer it."""
    keys = ", ".join(f"{_KEYS.get(choice.key, choice.key)} {choice.label}" for choice in question.choices)
    return printable(" ".join(question.text)) + (f" [{keys}]" if keys else "")


def face_lines(before: Face, face: Face) -> list[str]:
    """Return what a reader of plain lines is told of a face after the one before it."""
    said = []
    if face.phase == "measuring" and before.phase != "measuring":
        said.append(f"{face.serial}: measuring. Do not touch the unit.")
    if face.verdict is not None and (before.verdict is None or before.serial != face.serial):
        said.append(f"{face.serial}: {face.verdict.value}")
        said += [f"  {one}" for one in face.wrong]
    if face.safe is not None and safe_line(face) != safe_line(before):
        said.append(safe_line(face))
    said += [line for line in face.notes if line not in before.notes]
    if face.phase == "waiting" and before.turn != face.turn:
        said.append("ready")
    return said
