"""The sheet for the customer: one page that says what was tested for whom, what was found and left, and the verdict, to be signed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from markupsafe import Markup

from sequencer.frozen import dataclass
from sequencer.report.page import (
    NO_MEASUREMENT,
    BudgetView,
    Instrument,
    budget_view,
    css_text,
    instrument_view,
    template,
    time_shown,
)
from sequencer.report.verdicts import Verdict, verdict_of
from sequencer.results.budget_rows import COLUMNS as BUDGET_COLUMNS
from sequencer.results.stages import Pair, pairs
from sequencer.results.stored import StoredResult, StoredRun
from sequencer.results.sweep import folded
from sequencer.results.text import conditions_text, document_texts, shortfall_text, with_minus
from sequencer.uncertainty.decision import Decision
from sequencer.units.format import counted

MOST_LINES = 44
"""Lines of results that one page takes beside ten instruments; of more, those that passed and were not adjusted are counted instead."""
_DENSE_FROM, _DENSEST_FROM = 20, 26
"""From so many lines on they are set closer."""
_NAME_WIDTH, _NOTE_WIDTH = 38, 34
"""Characters of a quantity and of a note in a line of the table, at its narrowest."""
_WRONG = (Decision.FAIL, Decision.CONDITIONAL_FAIL, Decision.NOT_MEASURED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What the workshop says of a job; empty where it says nothing."""

    workshop: str = ""
    customer: str = ""
    number: str = ""
    technician: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetView:
    """One run as its sheet prints it. ``left_out`` says of how many results there was no room."""

    anchor: str
    run: StoredRun
    when: str
    verdict: Verdict
    rows: tuple[Pair[StoredResult], ...]
    documents: tuple[str, ...]
    left_out: str
    density: str
    adjusted: bool
    several_modes: bool
    conditions: str
    confirmations: tuple[str, ...]
    rules: tuple[str, ...]
    instruments: tuple[Instrument, ...]
    budgets: tuple[BudgetView, ...]


def render_sheets(runs: Sequence[StoredRun], job: Job, *, budgets: bool, written: datetime) -> str:
    """Return a page for each run; ``budgets`` adds the uncertainty budgets on pages behind it."""
    views = [_view(run, at, budgets=budgets) for at, run in enumerate(runs)]
    return template("sheet.html").render(
        title=" ".join(
            part for part in ("Test sheet", job.number, *(run.serial for run in runs[:1])) if part
        ),
        job=job,
        sheets=views,
        written=time_shown(written),
        simulated=any(run.simulated for run in runs),
        pages=Markup("".join(_page_rule(view) for view in views)),
        budget_columns=tuple(BUDGET_COLUMNS.values()),
        said_of=_said_of,
        documents_of=document_texts,
    )


def _view(run: StoredRun, at: int, *, budgets: bool) -> SheetView:
    shown = [row for row in run.results if row.counts and row.check != "confirm"]
    rows = pairs(folded(shown))
    listed = _that_fit(rows, MOST_LINES - len(_documents(rows)))
    lines = sum(map(_lines, listed))
    left_out = [one.left for one in rows if one not in listed]
    density = "densest" if lines >= _DENSEST_FROM else "dense" if lines >= _DENSE_FROM else ""
    return SheetView(
        anchor=f"sheet-{at + 1}",
        run=run,
        when=time_shown(run.time),
        verdict=verdict_of(run),
        rows=tuple(listed),
        documents=_documents(listed),
        left_out=_left_out_text(left_out),
        density=density,
        several_modes=len({row.mode for row in shown}) > 1,
        adjusted=any(one.found is not None for one in rows),
        conditions=conditions_text(shown),
        confirmations=tuple(
            dict.fromkeys(one.text for row in run.results for one in row.confirmations if one.confirmed)
        ),
        rules=tuple(dict.fromkeys(row.rule for row in shown if row.decision is not Decision.NO_LIMIT)),
        instruments=tuple(instrument_view(one, run.time) for one in run.instruments),
        budgets=tuple(budget_view(one.left, one.left.budget) for one in rows if one.left.budget)
        if budgets
        else (),
    )


def _documents(rows: Sequence[Pair[StoredResult]]) -> tuple[str, ...]:
    """Return what results say of the published documents they are held against, each once, in the rows' order."""
    return tuple(dict.fromkeys(said for one in rows for said in document_texts(one.left)))


def _that_fit(rows: Sequence[Pair[StoredResult]], most_lines: int) -> list[Pair[StoredResult]]:
    """Return what one page takes, in order: first of all what did not pass and what was adjusted, then what has limits."""
    fitting: list[int] = []
    lines = 0
    for at in sorted(range(len(rows)), key=lambda at: _weight(rows[at])):
        lines += _lines(rows[at])
        if lines > most_lines:
            break
        fitting.append(at)
    return [rows[at] for at in sorted(fitting)]


def _lines(one: Pair[StoredResult]) -> int:
    """Return how many lines a result takes: a note or a long name is a line more."""
    said = len(_said_of(one.left))
    return max(1 + -(-said // _NOTE_WIDTH), -(-len(one.left.quantity) // _NAME_WIDTH))


def _left_out_text(rows: Sequence[StoredResult]) -> str:
    if not rows:
        return ""
    wrong = sum(row.decision in _WRONG for row in rows)
    judged = f"{wrong} of them not passed" if wrong else "none of them outside its limits"
    return f"{counted(len(rows), 'more result')}, {judged}, in the full report of this run."


def _weight(one: Pair[StoredResult]) -> int:
    if one.left.decision in _WRONG:
        return 0
    if one.found is not None:
        return 1
    return 3 if one.left.decision is Decision.NO_LIMIT else 2


def _said_of(row: StoredResult) -> str:
    """Return what stands below a value: of what was not measured, why; of what failed, by how much."""
    if row.value is None:
        return row.note
    return with_minus(shortfall_text(row)) if row.decision in _WRONG else ""


def _page_rule(view: SheetView) -> str:
    mark = NO_MEASUREMENT if view.run.simulated else ""
    return (
        f"@page {view.anchor}{{@top-center{{content:{css_text(mark)}}}"
        f"@bottom-left{{content:{css_text(f'{view.run.serial}  ·  run {view.run.run}')}}}}}\n"
        f"#{view.anchor}{{page:{view.anchor}}}\n"
    )
