"""Writes the report of runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sequencer.analysis.repeats import as_one, read_whole
from sequencer.analysis.runs import find_run
from sequencer.files.write import refuse_over
from sequencer.problems import about_file
from sequencer.report import check_ending, has_ending, is_report, write_report
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store


def report_command(
    words: tuple[str, ...],
    *,
    title: str,
    comments: tuple[str, ...],
    plots: Any,
    every: bool = False,
    force: bool,
    folder: Path,
    store_name: str = "",
) -> int:
    """Write a report of the runs that all ``words`` but the last name into the file that the last names; returns the exit status."""
    names, file = _told_apart(words)
    check_ending(file)
    place = find_place(folder, store_name)
    if place.is_at(file):
        raise about_file(file, "this is the store itself; nothing was written", hint="name another file")
    over = refuse_over(file, kind="a report", force=force, is_own=is_report)
    with Store.open_to_read(place) as store:
        found = (as_one(read_whole(find_run(name, store, place, None), store)) for name in names)
        runs = list({run.run: run for run in found}.values())
    write_report(runs, file, title=title, comments=comments, plots=plots, every_channel=every, over=over)
    click.echo(str(file))
    return 0


def _told_apart(words: tuple[str, ...]) -> tuple[tuple[str, ...], Path]:
    """Return the names of runs, and the file. Raises InputError that says which of the two is missing."""
    *names, last = words
    file = Path(last)
    if names:
        return tuple(names), file
    if has_ending(file):
        raise about_file(
            "RUN",
            f"which run the report {last} is of is missing",
            allowed="RUN... FILE, such as: last report.html",
        )
    raise about_file(
        "FILE",
        f"the report's file is missing after {last}",
        allowed="RUN... FILE, such as: last report.html",
        hint="FILE ends in .html or .pdf",
    )
