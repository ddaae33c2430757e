"""Writes the report of runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sequencer.analysis.repeats import as_one, read_whole
from sequencer.analysis.runs import find_run
from sequencer.files.write import FileMark, refuse_over
from sequencer.problems import about_file, option_problem, printable
from sequencer.report import check_ending, has_ending, is_report, write_report, write_sheet
from sequencer.results.store.commands import resume_where_found
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.store import Store
from sequencer.results.text import not_ended_line


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
    sheet: bool = False,
    budgets: bool = False,
    batch: str = "",
    gauge: str = "",
    **job: str,
) -> int:
    """Write a report, or the customer's sheet, of runs into a file, or the page of a batch or gauge study; returns the exit status.

    All ``words`` but the last name runs, and the last the file.
    """
    if batch and gauge:
        raise option_problem("--gauge", "it is beside --batch", allowed="one of the two")
    if instead := "--batch" if batch else "--gauge" if gauge else "":
        _refuse_beside(instead, words, sheet=sheet, plots=plots, every=every)
    _refuse_mixed(
        sheet=sheet, budgets=budgets, job=job, others=bool(title or comments or every or plots != "auto")
    )
    names, file = ((), Path(words[-1])) if instead else _told_apart(words)
    check_ending(file)
    place = find_place(folder, store_name)
    if place.is_at(file):
        raise about_file(file, "this is the store itself; nothing was written", hint="name another file")
    over = refuse_over(file, kind="a report", force=force, is_own=is_report)
    if batch:
        _write_batch(batch, file, place, title=title, comments=comments, every=every, over=over)
        return 0
    if gauge:
        _write_gauge(gauge, file, folder, title=title, comments=comments, over=over)
        return 0
    with Store.open_to_read(place) as store:
        found = (as_one(read_whole(find_run(name, store, place, None), store)) for name in names)
        runs = list({run.run: run for run in found}.values())
    for run in runs:
        if not_ended := not_ended_line(run, resume_where_found(run.run, folder, place)):
            click.echo(printable(not_ended), err=True)
    if sheet:
        from sequencer.report.sheet import Job

        told = {name: check_line(f"--{_OPTIONS[name]}", text) for name, text in job.items()}
        write_sheet(runs, file, Job(**told), budgets=budgets, over=over)
        click.echo(str(file))
        return 0
    write_report(runs, file, title=title, comments=comments, plots=plots, every_channel=every, over=over)
    click.echo(str(file))
    return 0


def _write_batch(
    name: str,
    file: Path,
    place: StorePlace,
    *,
    title: str,
    comments: tuple[str, ...],
    every: bool,
    over: FileMark | None,
) -> None:
    from sequencer.analysis.batches.summary import find_record, find_summary
    from sequencer.report import write_batch_report

    with Store.open_to_read(place) as store:
        found = find_summary(find_record(name, store, place), store)
    write_batch_report(found, file, title=title, comments=comments, every=every, over=over)
    click.echo(str(file))


def _write_gauge(
    name: str, file: Path, folder: Path, *, title: str, comments: tuple[str, ...], over: FileMark | None
) -> None:
    from sequencer.analysis.gauge import findings_of
    from sequencer.analysis.gauge_study import study_path
    from sequencer.report import write_gauge_report
    from sequencer.results.gauge_log import read_gauge

    record = read_gauge(study_path(name, folder, option="--gauge"))
    if not (record.is_whole or record.ended_early):
        raise option_problem(
            "--gauge",
            f"{record.measured} of {record.planned} measurements are made, and no value is shown until the study is whole; nothing was "
            "written",
            allowed="a study that is whole, or was ended with 'sequencer gauge --show NAME --end-early'",
        )
    write_gauge_report(record, findings_of(record), file, title=title, comments=comments, over=over)
    click.echo(str(file))


def _refuse_beside(instead: str, words: tuple[str, ...], *, sheet: bool, plots: str, every: bool) -> None:
    what = {"--batch": "batch", "--gauge": "gauge study"}[instead]
    if len(words) > 1:
        raise about_file(
            "RUN",
            f"with {instead} there is no RUN: the page is of the whole {what}",
            found=printable(words[0])[:40],
            allowed=f"FILE alone, such as: report {instead} 'Week 48' week-48.html",
        )
    for option, given in (("--sheet", sheet), ("--plots", plots != "auto")):
        if given:
            raise option_problem(
                option, f"it is of runs, and {instead} of a {what}", allowed="one of the two"
            )
    if every and instead == "--gauge":
        raise option_problem(
            "--all", "the page of a gauge study has all of it as it is", allowed="leave it out"
        )


_OPTIONS = {"workshop": "workshop", "customer": "customer", "number": "job", "technician": "technician"}
LONGEST_LINE = 120
"""Characters that stand in one line of a sheet's head."""


def check_line(option: str, text: str) -> str:
    """Return a text for the head of a sheet. Raises InputError for one that does not fit there."""
    stripped = text.strip()
    if len(stripped) <= LONGEST_LINE and stripped.isprintable():
        return stripped
    wrong = f"{len(stripped)} characters" if stripped.isprintable() else "a control character"
    raise option_problem(
        option, f"{wrong} in it", found=stripped[:40], allowed=f"at most {LONGEST_LINE} printable characters"
    )


def _refuse_mixed(*, sheet: bool, budgets: bool, job: dict[str, str], others: bool) -> None:
    """Raise InputError for options of the sheet without it, or of the full report with it; a workshop may be set once for all."""
    told = [f"--{_OPTIONS[name]}" for name, text in job.items() if text and name != "workshop"]
    if not sheet and (told or budgets):
        name = told[0] if told else "--budgets"
        raise option_problem(name, "it stands on the customer's sheet only", hint="add --sheet")
    if sheet and others:
        raise option_problem(
            "--sheet",
            "the sheet takes no title, comments, plots or --all",
            hint="leave them out, or leave out --sheet",
        )


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
