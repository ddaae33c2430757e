"""What is shown of several benches: a table that stands on a terminal, plain lines elsewhere, and at the end what came of each."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import click

from sequencer.cli.benches.lane import Lane
from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.problems import printable
from sequencer.units.format import time_text

if TYPE_CHECKING:
    from rich.console import Console
    from rich.live import Live
    from rich.table import Table

_STYLES = {"passed": "green", "limits not met": "bold red", "bench failed": "bold red", "asks": "bold yellow"}
DRAWN_S = 0.25
"""How often the table is drawn anew at most."""
MOST_KEPT = 24
"""Characters of a name that stay on a narrow screen; the last result gives way first."""
LEAST_STATE, MOST_STATE = 14, 30


class Shown:
    """The one screen. ``lines``: plain lines instead of a table; ``quiet``: those go to standard error, for standard output is JSON."""

    def __init__(self, lanes: Sequence[Lane], console: Console, *, quiet: bool) -> None:
        self._lanes = lanes
        self._console = console
        self._quiet = quiet
        self._live: Live | None = None
        self._drawn_s = 0.0

    @property
    def is_table(self) -> bool:
        """Whether a table stands on a terminal."""
        return bool(self._console.is_terminal)

    def begin(self) -> None:
        """Show the table, where there is one."""
        if not self.is_table or self._live is not None:
            return
        from rich.live import Live

        self._live = Live(self._table(), console=self._console, transient=True, auto_refresh=False)
        self._live.start(refresh=True)

    def pause(self) -> None:
        """Clear the table away."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def draw(self, *, now: bool = False) -> None:
        """Draw the table as it is now, where it stands."""
        if self._live is not None and (now or time.monotonic() - self._drawn_s > DRAWN_S):
            self._drawn_s = time.monotonic()
            self._live.update(self._table(), refresh=True)

    def tell(self, lane: Lane, lines: Iterable[str], *, always: bool = False) -> None:
        """Tell lines of a bench, each with its name before it; beside a table only what ``always`` is to be read."""
        if self.is_table and not always:
            return
        for line in lines:
            self.say(f"{lane.name}: {line}")

    def say(self, text: str) -> None:
        """Write a line above the table, or plainly."""
        stream = sys.stderr if self.is_table or self._quiet else sys.stdout
        with reader_may_be_gone(stream):
            if self._live is not None:
                self._console.print(printable(text), markup=False, highlight=False, soft_wrap=True)
            else:
                click.echo(printable(text), file=stream)

    def _widths(self, now_s: float) -> dict[str, int]:
        """Return how wide each column is: names stay whole on a narrow screen, what was found last gives way first."""
        kept = {
            "bench": max(len(printable(lane.name)) for lane in self._lanes),
            "unit": max(len(printable(lane.serial)) for lane in self._lanes),
            "check": max(len(lane.place) for lane in self._lanes),
            "left": max(len(left_text(lane, now_s)) for lane in self._lanes),
        }
        # a column's width has the blank behind it
        kept = {name: max(len(name), min(width, MOST_KEPT)) + 1 for name, width in kept.items()}
        rest = self._console.width - sum(kept.values()) - len(kept) - 2
        state = max(LEAST_STATE, min(rest, MOST_STATE, rest - 12))
        found = max(0, rest - state)
        order = {
            "bench": kept["bench"],
            "unit": kept["unit"],
            "check": kept["check"],
            "state": state,
            "left": kept["left"],
        }
        return {**order, "last result": max(1, found)}

    def _table(self) -> Table:
        from rich.box import SIMPLE_HEAD
        from rich.table import Table
        from rich.text import Text

        table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
        now_s = time.monotonic()
        widths = self._widths(now_s)
        for heading, width in widths.items():
            table.add_column(
                heading,
                no_wrap=True,
                justify="right" if heading == "left" else "left",
                overflow="ellipsis",
                width=width,
            )
        for lane in self._lanes:
            state = state_text(lane, now_s)
            table.add_row(
                *(Text(one) for one in (printable(lane.name), printable(lane.serial), lane.place)),
                Text(
                    state,
                    style=_STYLES.get(
                        lane.state, "bold red" if "killed" in state or "silent" in state else ""
                    ),
                ),
                Text(left_text(lane, now_s)),
                Text(lane.last),
            )
        return table


def state_text(lane: Lane, now_s: float) -> str:
    """Return in words what a bench does."""
    if silent_s := lane.silent_s(now_s):
        assert lane.child is not None
        return f"silent for {time_text(silent_s)} (process {lane.child.number})"
    more = f", {len(lane.units)} to come" if lane.units else ""
    if lane.state == "measures":
        return f"{lane.label}{f': {lane.step}' if lane.step else ''}"[:48] + more
    return lane.state + more


def left_text(lane: Lane, now_s: float) -> str:
    """Return about how long the run still takes."""
    if lane.child is None or not lane.left_s:
        return ""
    return time_text(max(0.0, lane.left_s - (now_s - lane.told_s)))


def last_lines(lanes: Sequence[Lane]) -> list[str]:
    """Return at the end what came of each bench, and how the benches were left."""
    width = max(len(lane.name) for lane in lanes)
    lines = []
    for lane in lanes:
        serials = {run["serial"] for run in lane.runs}
        for run in lane.runs:
            lines.append(f"{lane.name:{width}}  {run['serial']}: {run['verdict']}  (run {run['run']})")
        if lane.unit is not None and lane.serial not in serials:
            lines.append(f"{lane.name:{width}}  {lane.serial}: {lane.state}")
        lines += [f"{lane.name:{width}}  {one.serial}: not measured" for one in lane.units]
    known = all(len(lane.runs) == len(lane.statuses) for lane in lanes if lane.state != "could not begin")
    if all(run["bench_safe"] for lane in lanes for run in lane.runs) and known:
        lines.append(
            "Each bench that was worked is safe: PTT released, generators off, supply off, each read back."
        )
    for lane in lanes:
        lines += [f"{lane.name:{width}}  {one}" for one in lane.troubles]
    return [printable(one) for one in lines]
