"""What a person sees: progress with time left while a run lasts, then the results table."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Mapping
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from rich.box import SIMPLE_HEAD
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from sequencer.cli.common.long_names import LongNames
from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.cli.screens.check_lines import CheckLines
from sequencer.problems import printable
from sequencer.results.at_point import AtPoint
from sequencer.results.model import Result
from sequencer.results.stored import StoredResult
from sequencer.results.sweep import folded, is_folded
from sequencer.results.text import (
    is_answer,
    limits_text,
    quantity_in_words,
    value_in_words,
    value_text,
    with_minus,
)
from sequencer.run.events import CheckEnded, CheckStarted, Event, RunEnded, RunStarted, StepTaken, Warned
from sequencer.uncertainty.decision import Decision
from sequencer.units.format import time_text

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

_STYLES = {
    Decision.PASS.value: "green",
    Decision.CONDITIONAL_PASS.value: "yellow",
    Decision.CONDITIONAL_FAIL.value: "bold yellow",
    Decision.FAIL.value: "bold red",
    Decision.NOT_MEASURED.value: "bold red",
}
# Below the first, each result is a few lines; below the second, limits stand under the value they belong to; from the third, both
# voltages stand on one line.
_SLIM = 56
_NARROW = 78
_WIDE = 100


FOLDED = "Of a channel sweep the worst channel is shown; 'sequencer results RUN --all' lists every one."
FOLDED_POINTS = "Of a check over several conditions the worst point is shown; 'sequencer results RUN --all' lists every one."


def _left(left_s: float) -> dict[str, float]:
    return {"left_s": left_s, "told_at_s": time.monotonic()}


class ProgressScreen:
    """Listens to a run and shows where it is; silent where nobody watches (not a terminal)."""

    def __init__(self, console: Console, *, by_hand: bool = False, head: str = "") -> None:
        """Show on ``console``; ``by_hand``: a person is asked meanwhile, and reads what each check is before and after it.

        ``head`` says which of several runs it is, and stands before the check under way; checks then have no lines of their own.
        """
        self._console = console
        self._head = f"{head}  " if head else ""
        self._lines = CheckLines(headed=by_hand) if by_hand or (console.is_terminal and not head) else None
        self._progress: Progress | None = None
        if console.is_terminal:
            from sequencer.cli.screens.progress_bar import progress_bar

            self._progress = progress_bar(console)
        self._task: TaskID | None = None

    def __enter__(self) -> Self:
        self.resume()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with reader_may_be_gone(sys.stderr):
            self.pause()

    def pause(self) -> None:
        """Clear the bar away while a person is asked something."""
        if self._progress is not None:
            self._progress.stop()

    def resume(self) -> None:
        """Show the bar again."""
        if self._progress is not None:
            self._progress.start()

    def __call__(self, event: Event) -> None:
        """Take one event."""
        for line in self._lines.of(event) if self._lines is not None else ():
            self._console.print(line, markup=False, highlight=False)
        match event:
            case RunStarted() if self._progress is not None:
                self._task = self._progress.add_task(
                    f"{self._head}opening the bench",
                    total=event.checks,
                    left_s=event.forecast_s,
                    told_at_s=time.monotonic(),
                    step="",
                )
            case CheckStarted():
                self._update(
                    description=self._head + _short(event.label), step="", **_left(event.remaining_s)
                )
            case Warned():
                self._console.print(
                    event.text, style="bold yellow", markup=False, highlight=False, soft_wrap=True
                )
            case StepTaken():
                self._update(step=printable(event.text), **_left(event.remaining_s))
            case CheckEnded():
                self._update(advance=1, step="", **_left(event.remaining_s))
            case RunEnded():
                self._update(step="")

    def _update(self, **changes: Any) -> None:
        if self._progress is not None and self._task is not None:
            self._progress.update(self._task, **changes)


def _short(label: str, most: int = 32) -> str:
    shown = printable(label)
    return shown if len(shown) <= most else shown[: most - 1] + "…"


def results_table(
    rows: Iterable[Result], title: str, *, width: int = 80, every: bool = False
) -> RenderableType:
    """Return the results for a screen of ``width`` columns; a channel sweep by its worst channels, or with ``every`` one of them.

    Confirmations stand above the table and notes below it, so that figures keep the width: a number with its uncertainty and
    unit is never broken.
    """
    whole = list(rows)
    rows = whole if every else folded(whole)
    notes: dict[str, int] = {}
    for row in rows:
        if row.note and not is_answer(row):
            notes.setdefault(row.note, len(notes) + 1)
    figures = [row for row in rows if not is_answer(row)]
    shown: list[RenderableType] = [Text(printable(title), style="bold")]
    shown += [_answer(row) for row in rows if is_answer(row)]
    if figures:
        shown.append(_slim_figures(figures, notes) if width < _SLIM else _figures(figures, notes, width))
    if notes:
        listed = Table.grid(padding=(0, 1))
        for note, number in notes.items():
            listed.add_row(Text(f"{number}", style="dim"), Text(printable(note), style="dim"))
        shown.append(listed)
    if is_folded(whole, rows):
        over_points = any(AtPoint.of(row.settings) is not None for row in whole)
        shown.append(Text(FOLDED_POINTS if over_points else FOLDED, style="dim"))
    return Group(*shown)


def _figures(rows: list[Result], notes: Mapping[str, int], width: int) -> Table:
    narrow = width < _NARROW
    table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("ch", justify="right", no_wrap=True)
    table.add_column("quantity")
    table.add_column(Text("value ± U (95 %)\n[limits]" if narrow else "value ± U (95 %)"), no_wrap=True)
    if not narrow:
        table.add_column("limits", no_wrap=True)
    table.add_column("decision")
    table.add_column("note", justify="right", no_wrap=True)
    for row in rows:
        decision, limits = row.decision.value, limits_text(row)
        counts = row.counts
        shown = value_text(row, wide=width >= _WIDE)
        table.add_row(
            "" if row.channel is None else str(row.channel),
            Text(printable(quantity_in_words(row))),
            Text(f"{shown}\n[{limits}]" if narrow and limits else shown),
            *(() if narrow else (Text(limits),)),
            Text(decision, style=_STYLES.get(decision, "")) if counts else Text(f"({decision})", style="dim"),
            str(notes.get(row.note, "")),
        )
    return table


def _slim_figures(rows: list[Result], notes: Mapping[str, int]) -> RenderableType:
    """Return results where a table would break every word: what it is, and below it value, limits and decision."""
    lines: list[RenderableType] = []
    for row in rows:
        where = "" if row.channel is None else f", ch {row.channel}"
        decision = row.decision.value if row.counts else f"({row.decision.value})"
        note = f"  note {notes[row.note]}" if row.note else ""
        found = [value_text(row), f"[{limits}]" if (limits := limits_text(row)) else ""]
        lines.append(Text(printable(f"{quantity_in_words(row)}{where}"), style="bold"))
        lines += [Padding(Text(one), (0, 0, 0, 2)) for one in found if one]
        judged = Text(f"  {decision}", style=_STYLES.get(row.decision.value, "") if row.counts else "dim")
        lines.append(judged.append(note, style="dim"))
    return Padding(Group(*lines), (1, 0))


def _answer(row: Result) -> Text:
    if row.check == "adjust":  # a preset that was given up: nobody was asked anything
        told = f"{row.quantity}: {row.note or row.decision.value}"
        return Text(printable(told), style=_STYLES.get(row.decision.value, ""))
    answer = "not confirmed" if row.value is None else "yes" if row.value else "no"
    note = f" ({row.note})" if row.note else ""
    decision = row.decision.value
    judged = "" if decision == Decision.NO_LIMIT.value else f" - {decision}"
    return Text(printable(f"{row.quantity}: {answer}{note}{judged}"), style=_STYLES.get(decision, ""))


def listing_table(rows: Iterable[StoredResult]) -> RenderableType:
    """Return results as a table: when, which unit, what was found, how it was decided, in which run; below it the runs' names."""
    names = LongNames()
    table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading in ("time", "unit", "ch", "quantity", "value ± U (95 %)", "decision", "run"):
        table.add_column(heading, justify="right" if heading == "ch" else "left")
    for row in rows:
        table.add_row(
            f"{row.time:%Y-%m-%d %H:%M}",
            Text(printable(row.serial)),
            "" if row.channel is None else str(row.channel),
            Text(printable(quantity_in_words(row))),
            Text(printable(with_minus(value_in_words(row)))),
            row.decision.value if row.counts else f"({row.decision.value})",
            names.shown(row.run),
        )
    return Group(table, *names.lines())


def run_lines(
    *,
    run: str,
    rule: str,
    table: str = "",
    bench_s: float | None = None,
    forecast_s: float | None = None,
    part: str = "",
    line: str = "",
    repeats: str = "",
    limits: str = "",
) -> Text:
    """Return what else is said of a run, a line each; to be printed without wrapping, so that names can be copied."""
    forecast = f" (forecast {time_text(forecast_s)})" if forecast_s is not None else ""
    said = {
        "rule": rule,
        "limits": limits,
        "bench time": time_text(bench_s) + forecast if bench_s is not None else "",
        "run": run,
        "part": part,
        "line": line,
        "repeats": repeats,
        "table": table,
    }
    return Text("\n".join(f"{name:10}  {printable(text)}" for name, text in said.items() if text))
