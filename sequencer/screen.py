"""What a person sees: progress with time left while a run lasts, then the results table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import TracebackType
from typing import Any, Self

from rich.box import SIMPLE_HEAD
from rich.console import Console, Group
from rich.progress import BarColumn, Progress, TaskID, TextColumn
from rich.table import Table
from rich.text import Text

from sequencer.complaint import printable
from sequencer.decision import Decision
from sequencer.events import CheckEnded, CheckStarted, Event, RunEnded, RunStarted, StepTaken
from sequencer.quantities import uv_emf_from_dbm, uv_pd_from_dbm
from sequencer.unit_format import format_quantity, format_with_uncertainty

_STYLES = {
    Decision.PASS.value: "green",
    Decision.CONDITIONAL_PASS.value: "yellow",
    Decision.CONDITIONAL_FAIL.value: "bold yellow",
    Decision.FAIL.value: "bold red",
    Decision.NOT_MEASURED.value: "bold red",
}


class ProgressScreen:
    """Listens to a run and shows where it is; silent where nobody watches (not a terminal)."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=24),
            TextColumn("{task.fields[left]}"),
            TextColumn("{task.fields[step]}", style="dim"),
            console=console,
            transient=True,
            disable=not console.is_terminal,
        )
        self._task: TaskID | None = None
        self._forecast_s = 0.0

    def __enter__(self) -> Self:
        self._progress.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._progress.stop()

    def pause(self) -> None:
        """Clear the bar away while a person is asked something."""
        self._progress.stop()

    def resume(self) -> None:
        """Show the bar again."""
        if self._console.is_terminal:
            self._progress.start()

    def __call__(self, event: Event) -> None:
        """Take one event."""
        match event:
            case RunStarted():
                self._forecast_s = event.forecast_s
                self._task = self._progress.add_task(
                    "opening the bench", total=event.checks, left="", step=""
                )
            case CheckStarted():
                self._update(description=event.label, left=f"{time_text(event.remaining_s)} left", step="")
            case StepTaken():
                self._update(step=event.text)
            case CheckEnded():
                self._update(advance=1, left=f"{time_text(event.remaining_s)} left", step="")
            case RunEnded():
                self._update(step="")

    def _update(self, **changes: Any) -> None:
        if self._task is not None:
            self._progress.update(self._task, **changes)


def results_table(rows: Iterable[Mapping[str, Any]], title: str) -> Group:
    """Return the results table for the screen, notes below it so that figures keep the width."""
    table = Table(
        title=Text(title, style="bold"),
        title_justify="left",
        header_style="bold",
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    table.add_column("ch", justify="right", no_wrap=True)
    table.add_column("quantity", overflow="fold")
    table.add_column("value ± U (about 95 %)", overflow="fold")
    table.add_column("limits", overflow="fold")
    table.add_column("decision", no_wrap=True)
    table.add_column("note", justify="right", no_wrap=True)
    notes: dict[str, int] = {}
    for row in rows:
        decision, note = str(row["decision"]), str(row["note"] or "")
        if note:
            notes.setdefault(note, len(notes) + 1)
        table.add_row(
            "" if row["channel"] is None else str(row["channel"]),
            Text(printable(str(row["quantity"]))),
            Text(value_text(row)),
            Text(limits_text(row)),
            Text(decision, style=_STYLES.get(decision, "")),
            str(notes.get(note, "")),
        )
    listed = Table.grid(padding=(0, 1))
    for note, number in notes.items():
        listed.add_row(Text(f"{number}", style="dim"), Text(printable(note), style="dim"))
    return Group(table, listed)


def value_text(row: Mapping[str, Any]) -> str:
    """Return a result's value with unit and expanded uncertainty; levels beside µV pd and µV emf."""
    value, unit, uncertainty = row["value"], row["unit"], row["uncertainty"]
    if value is None:
        return "—"
    if unit == "":
        return "yes" if value else "no"
    shown = (
        format_quantity(value, unit)
        if uncertainty is None
        else format_with_uncertainty(value, uncertainty, unit)
    )
    if unit == "dBm":
        shown += f"\n{uv_pd_from_dbm(value):.3g} µV pd, {uv_emf_from_dbm(value):.3g} µV emf"
    return shown


def limits_text(row: Mapping[str, Any]) -> str:
    """Return a result's limits: from … to …, at most …, at least …."""
    lower, upper, unit = row["lower_limit"], row["upper_limit"], row["unit"]
    if unit == "":
        return ""
    if lower is not None and upper is not None:
        if lower == -upper:
            return f"± {format_quantity(upper, unit)}"
        return f"{format_quantity(lower, unit)} to {format_quantity(upper, unit)}"
    if upper is not None:
        return f"at most {format_quantity(upper, unit)}"
    return f"at least {format_quantity(lower, unit)}" if lower is not None else ""


def time_text(seconds: float) -> str:
    """Return a duration as people say it."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h"
