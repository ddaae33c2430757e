"""Write a report: one self-contained page (or PDF) that says what was tested, how, with what, and what came out.

    write_report(runs, Path("m40-0007.html"))      runs as the store gives them, with their results

The page fetches nothing and runs no script; style and plots stand inside it. Text from files and prompts is escaped wherever it appears.

Imports results, files, uncertainty and units; no bench, no check, no run.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from sequencer.files.write import FileMark, whole_file
from sequencer.problems import about_file
from sequencer.results.stored import StoredRun

if TYPE_CHECKING:
    from sequencer.analysis.batches.summary import BatchSummary
    from sequencer.analysis.gauge import GaugeFinding
    from sequencer.report.sheet import Job
    from sequencer.results.gauge_log import GaugeRecord

MARK = "radio-bench-sequencer report"
"""Stands in every page and PDF as what made it."""
_ENDINGS = (".html", ".htm", ".pdf")
Plots = Literal["auto", "all", "none"]


def write_report(
    runs: Sequence[StoredRun],
    path: Path,
    *,
    title: str = "",
    comments: Sequence[str] = (),
    plots: Plots = "auto",
    every_channel: bool = False,
    written: datetime | None = None,
    over: FileMark | None = None,
) -> None:
    """Write a report of one run or many; a name that ends in ``.pdf`` makes a PDF, ``.html`` a page for a browser.

    Any other ending than .html, .htm and .pdf is refused. ``plots``: "auto" draws all for up to `MOST_WITH_ALL_PLOTS` runs, and beyond
    that those of runs that did not pass. ``comments`` stand at the beginning. ``written`` is the time the report carries, else now.
    ``every_channel`` of a channel sweep is listed, or the worst only.
    ``over`` is the one file that may be written over; any other that stands at ``path`` by then stays, and is a complaint.
    Raises FileProblems if the file cannot be written, or a PDF is asked for without the extra ``pdf``; ValueError for no runs.
    """
    check_ending(path)
    text = report_html(
        runs, title=title, comments=comments, plots=plots, every_channel=every_channel, written=written
    )
    _write(text, path, over)


def write_sheet(
    runs: Sequence[StoredRun],
    path: Path,
    job: Job,
    *,
    budgets: bool = False,
    written: datetime | None = None,
    over: FileMark | None = None,
) -> None:
    """Write one page a run for the customer, with what the workshop says of the ``job``; ``budgets`` adds those behind it.

    Names, ``over`` and what is raised are as in `write_report`.
    """
    from sequencer.report.sheet import render_sheets

    check_ending(path)
    if not runs:
        raise ValueError("a sheet needs one run or more")
    now = written if written is not None else datetime.now().astimezone()
    _write(render_sheets(runs, job, budgets=budgets, written=now), path, over)


def write_batch_report(
    found: BatchSummary,
    path: Path,
    *,
    title: str = "",
    comments: Sequence[str] = (),
    every: bool = False,
    written: datetime | None = None,
    over: FileMark | None = None,
) -> None:
    """Write the page of a batch; ``every`` quantity is drawn, or the worst only. The rest is as in `write_report`."""
    from sequencer.report.batch import render_batch

    check_ending(path)
    now = written if written is not None else datetime.now().astimezone()
    _write(render_batch(found, title=title, comments=tuple(comments), written=now, every=every), path, over)


def write_gauge_report(
    record: GaugeRecord,
    findings: list[GaugeFinding],
    path: Path,
    *,
    title: str = "",
    comments: Sequence[str] = (),
    written: datetime | None = None,
    over: FileMark | None = None,
) -> None:
    """Write the page of a gauge study with what it says (``findings``). The rest is as in `write_report`."""
    from sequencer.report.gauge import render_gauge

    check_ending(path)
    now = written if written is not None else datetime.now().astimezone()
    _write(render_gauge(record, findings, title=title, comments=tuple(comments), written=now), path, over)


def _write(text: str, path: Path, over: FileMark | None) -> None:
    if path.suffix.lower() == ".pdf":
        from sequencer.report.pdf import write_pdf

        write_pdf(text, path, mark=MARK, over=over)
        return
    with whole_file(path, over=over) as beside:
        beside.write_text(text, encoding="utf-8")


def has_ending(path: Path) -> bool:
    """Say whether a name ends as a report's."""
    return path.suffix.lower() in _ENDINGS


def check_ending(path: Path) -> None:
    """Raise InputError for a name that ends in something else than a report can be written as."""
    if not has_ending(path):
        raise about_file(
            path,
            "its name does not end as a report's; nothing was written",
            allowed=f"{', '.join(_ENDINGS)}",
            hint="the last word of the command is the report's file",
        )


def is_report(path: Path) -> bool:
    """Say whether ``path`` holds a report of this project, by the mark that pages and PDFs carry; or nothing at all."""
    with suppress(OSError):
        content = path.read_bytes() if path.is_file() else b"?"
        return not content or (
            content.startswith((b"<!doctype html>", b"%PDF-")) and MARK.encode() in content
        )
    return False


def report_html(
    runs: Sequence[StoredRun],
    *,
    title: str = "",
    comments: Sequence[str] = (),
    plots: Plots = "auto",
    every_channel: bool = False,
    written: datetime | None = None,
) -> str:
    """Return the report as one HTML page. ValueError for no runs."""
    from sequencer.report.page import render

    if not runs:
        raise ValueError("a report needs one run or more")
    now = written if written is not None else datetime.now().astimezone()
    return render(runs, title=title, comments=comments, plots=plots, every_channel=every_channel, written=now)
