"""The bar that shows where a run is. Imported where somebody watches: a run that nobody watches is the sooner begun."""

from __future__ import annotations

import time

from rich.console import Console
from rich.progress import BarColumn, Progress, ProgressColumn, Task, TextColumn
from rich.text import Text

from sequencer.units.format import time_text


class LeftColumn(ProgressColumn):
    """The time left, counted down between two events too: a warm-up of a minute says nothing for a minute."""

    def render(self, task: Task) -> Text:
        """Return what was said last, less what has passed since."""
        passed_s = time.monotonic() - task.fields["told_at_s"]
        return Text(f"{time_text(max(0.0, task.fields['left_s'] - passed_s))} left")


def progress_bar(console: Console) -> Progress:
    """Return the bar: what is under way, how far, the time left, and the step."""
    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=16),
        LeftColumn(),
        TextColumn("{task.fields[step]}", style="dim", markup=False),
        console=console,
        transient=True,
    )
