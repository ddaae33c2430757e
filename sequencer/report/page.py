"""Gather what the page's template is given, and render it. Everything that came from outside is escaped by Jinja2."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date, datetime
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import BaseLoader, Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from sequencer.frozen import dataclass
from sequencer.report.bars import limit_bar
from sequencer.report.verdicts import Verdict, problems_of, severity, verdict_of
from sequencer.results.budget_rows import COLUMNS as BUDGET_COLUMNS
from sequencer.results.budget_rows import cells, expanded_text
from sequencer.results.line import LineFacts
from sequencer.results.model import BenchInstrument
from sequencer.results.stored import StoredResult, StoredRun
from sequencer.results.stored_budget import UNSTATED_NOT_KNOWN, StoredBudget
from sequencer.results.sweep import folded, is_folded
from sequencer.results.text import (
    channel_in_words,
    conditions_text,
    evaluated_text,
    limits_from_text,
    limits_in_words,
    line_text,
    quantity_in_words,
    value_in_words,
    voltages_in_words,
    with_minus,
)
from sequencer.uncertainty.decision import SIMPLE, Decision
from sequencer.units.format import time_text, unit_of_difference

_NOTHING_WRONG = (Decision.NO_LIMIT, Decision.PASS)
MOST_WITH_ALL_PLOTS = 100
"""Up to so many runs every run's plots are drawn; beyond it only those of runs that did not pass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """Who stood on the bench. ``due`` as a date in words; ``overdue`` at the time of the run."""

    role: str
    identity: str
    certificate: str
    due: str
    overdue: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetView:
    """An uncertainty budget: heading, rows of cells, and what it comes to."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunView:
    """One run, as it is printed."""

    anchor: str
    run: str
    serial: str
    model: str
    sequence: str
    when: str
    simulated: bool
    verdict: Verdict
    problems: str
    facts: tuple[tuple[str, str], ...]
    confirmations: tuple[str, ...]
    results: tuple[StoredResult, ...]
    is_folded: bool
    guarded: bool
    has_bounds: bool
    plots: tuple[Any, ...]
    plots_left_out: bool
    lacks_facts: bool
    instruments: tuple[Instrument, ...]
    budgets: tuple[BudgetView, ...]


def render(
    runs: Sequence[StoredRun],
    *,
    title: str,
    comments: Sequence[str],
    plots: str,
    written: datetime,
    every_channel: bool = False,
) -> str:
    """Return the page. ``plots``: "auto", "all" or "none"; ``every_channel`` of a channel sweep, or the worst only."""
    every = plots == "all" or (plots == "auto" and len(runs) <= MOST_WITH_ALL_PLOTS)
    views = [
        run_view(run, at, plots=plots, every=every, every_channel=every_channel)
        for at, run in enumerate(runs)
    ]
    tally = Counter(view.verdict.word for view in views)
    gentlest_first = dict.fromkeys(
        view.verdict.word for view in sorted(views, key=lambda view: -severity(view.verdict))
    )
    return template("report.html").render(
        title=title or _title(views),
        own_title=title,
        written=time_shown(written),
        comments=[comment for comment in comments if comment.strip()],
        runs=views,
        tally=[(word, tally[word]) for word in gentlest_first],
        simulated=sum(view.simulated for view in views),
        style=Markup(style_text()),
        pages=Markup(_cover_rule(views) + "".join(_page_rule(view) for view in views)),
        budget_columns=tuple(BUDGET_COLUMNS.values()),
    )


def run_view(run: StoredRun, at: int, *, plots: str, every: bool, every_channel: bool) -> RunView:
    """Return one run as it is printed; ``at`` is its place on the page, the rest as in `render`."""
    rows = run.results
    verdict = verdict_of(run)
    draw = every or (plots == "auto" and verdict.kind not in ("pass", "no limit"))
    shown = [row for row in rows if row.check != "confirm" or row.decision not in _NOTHING_WRONG]
    listed = shown if every_channel else folded(shown)
    return RunView(
        anchor=f"run-{at + 1}",
        run=run.run,
        serial=run.serial,
        model=run.model,
        sequence=run.sequence,
        when=time_shown(run.time),
        simulated=run.simulated,
        verdict=verdict,
        problems=_problems(rows),
        facts=tuple(_facts(run, rows)),
        confirmations=_confirmations(rows),
        results=tuple(listed),
        is_folded=is_folded(shown, listed),
        has_bounds=any(row.bound for row in shown),
        guarded=any(_rule(row) not in ("", str(SIMPLE)) for row in shown),
        plots=tuple(_plots(shown, f"r{at + 1}")) if draw else (),
        plots_left_out=not draw and plots != "none",
        lacks_facts=any(
            row.points and row.target is None and not (row.has_spectrum or row.has_timeline) for row in shown
        ),
        instruments=tuple(instrument_view(one, run.time) for one in run.instruments),
        budgets=tuple(budget_view(row, row.budget) for row in listed if row.budget is not None),
    )


def _problems(rows: Sequence[StoredResult]) -> str:
    """Name the results that did not pass, channels of one quantity together."""
    channels: dict[tuple[str, str], list[str]] = {}
    for row in problems_of(rows):
        named = channels.setdefault((row.quantity, row.decision.value), [])
        if row.channel is not None:
            named.append(str(row.channel))
    return "; ".join(
        f"{quantity}{_channels(named)}: {decision}" for (quantity, decision), named in channels.items()
    )


def _channels(named: Sequence[str]) -> str:
    if not named:
        return ""
    return f", channel{'s' if len(named) > 1 else ''} {', '.join(named)}"


def _plots(rows: Sequence[StoredResult], salt: str) -> list[Any]:
    from sequencer.report.plots import plots_of

    return plots_of(rows, salt)


def _facts(run: StoredRun, rows: Sequence[StoredResult]) -> list[tuple[str, str]]:
    rules = list(dict.fromkeys(row.rule for row in rows))
    facts = [
        ("Unit", f"{run.model} {run.serial}".strip()),
        ("Tested", time_shown(run.time)),
        ("Sequence", f"{run.sequence} ({run.sequence_hash})"),
        ("Model file", run.model_hash),
        ("Bench", f"{run.bench} ({run.bench_hash})"),
        ("Conditions", conditions_text(rows)),
        ("Decision rule", "; ".join(rules)),
        ("Limits from", limits_from_text(rows)),
        ("Outcome", run.outcome),
        ("Resumed", "; ".join(time_shown(one) for one in run.resumed)),
        ("Bench time", time_text(run.bench_s) if run.bench_s is not None else ""),
        ("Run", run.run),
        ("Tested as", line_text(LineFacts.of(run))),
        ("Nothing measured", evaluated_text(run)),
        *(("Repeated", _repeat(one)) for one in run.repeats),
    ]
    return [(name, fact) for name, fact in facts if fact]


def _repeat(one: StoredRun) -> str:
    ended = "" if one.outcome == "done" else f" (outcome: {one.outcome})"
    bench = f", bench {one.bench} ({one.bench_hash})"
    return f"{one.part}, {time_shown(one.time)}{bench}, run {one.run}, because: {one.reason}{ended}"


def _confirmations(rows: Sequence[StoredResult]) -> tuple[str, ...]:
    found = dict.fromkeys(str(one) for row in rows for one in row.confirmations)
    return tuple(found)


def _where(row: StoredResult) -> str:
    frequency = f"{round(row.frequency_hz / 1e6, 4):.10g} MHz" if row.frequency_hz else ""
    return ", ".join(part for part in (frequency, row.mode) if part)


def _rule(row: StoredResult) -> str:
    return row.rule if row.decision is not Decision.NO_LIMIT else ""


def instrument_view(one: BenchInstrument, when: datetime) -> Instrument:
    """Return an instrument as it is printed; whether its calibration was overdue ``when`` the run began."""
    name = f"{one.maker} {one.model}".strip()
    numbers = [
        f"serial {one.serial}" if one.serial else "",
        f"firmware {one.firmware}" if one.firmware else "",
    ]
    return Instrument(
        role=_words(one.name),
        identity=", ".join(part for part in (name, *numbers) if part),
        certificate=one.certificate,
        due=one.due,
        overdue=_is_before(one.due, when),
    )


def _is_before(due: str, when: datetime) -> bool:
    try:
        return date.fromisoformat(due) < when.date()
    except ValueError:
        return False


def budget_view(row: StoredResult, budget: StoredBudget) -> BudgetView:
    """Return a result's budget as it is printed."""
    dof, difference_unit = budget.effective_dof, unit_of_difference(budget.unit)
    return BudgetView(
        heading=with_minus(f"{quantity_in_words(row)}{channel_in_words(row)}, {value_in_words(row)}"),
        columns=tuple(BUDGET_COLUMNS.values()),
        rows=tuple(tuple(cells(part)) for part in budget.contributions),
        outcome=(
            f"combined standard uncertainty {budget.standard:.3g} {difference_unit}; effective degrees of freedom "
            f"{'infinite' if dof is None or dof > 1e6 else format(dof, '.3g')}; coverage factor {budget.coverage_factor:.2f} "
            f"(for {100 * budget.coverage:.4g} %); expanded uncertainty {expanded_text(budget.expanded, budget.unit)}"
            + _unstated(budget)
            + "".join(f"; correlation of {one} and {other} {r:.3g}" for one, other, r in budget.correlations)
        ),
    )


def _unstated(budget: StoredBudget) -> str:
    if budget.unstated is None:
        return f"; {UNSTATED_NOT_KNOWN}"
    return "; not stated in the bench file: " + ", ".join(budget.unstated) if budget.unstated else ""


def _title(views: Sequence[RunView]) -> str:
    if len(views) == 1:
        return f"{views[0].model} {views[0].serial}: {views[0].sequence}".strip()
    units = len({view.serial for view in views})
    return f"{len(views)} runs of {units} unit{'s' if units != 1 else ''}"


def time_shown(moment: datetime) -> str:
    """Return a moment in words, with its offset from UTC."""
    if moment.tzinfo is None:
        return f"{moment.day} {moment:%B %Y, %H:%M}"
    offset = "" if not moment.utcoffset() else f"{moment.isoformat()[-6:]}"
    return f"{moment.day} {moment:%B %Y, %H:%M} (UTC{offset})"


def _words(name: str) -> str:
    return name.replace("_", " ")


NO_MEASUREMENT = "SIMULATED \u2013 not a measurement of a real unit"


def _cover_rule(views: Sequence[RunView]) -> str:
    marked = sum(view.simulated for view in views)
    mark = NO_MEASUREMENT if marked == len(views) else f"SIMULATED in part: {marked} of {len(views)} runs"
    return f"@page{{@top-center{{content:{css_text(mark)}}}}}\n" if marked else ""


def _page_rule(view: RunView) -> str:
    """Return what the printed pages of one run carry at their edges."""
    mark = NO_MEASUREMENT if view.simulated else ""
    return (
        f"@page {view.anchor}{{@top-center{{content:{css_text(mark)}}}"
        f"@bottom-left{{content:{css_text(f'{view.serial}  ·  run {view.run}')}}}}}\n"
        f"#{view.anchor}{{page:{view.anchor}}}\n"
    )


def css_text(text: str) -> str:
    """Return a CSS string that holds ``text`` and can end neither itself nor the style element."""
    # The space after an escape belongs to it (CSS Syntax 3, 4.3.7).
    safe = "".join(c if c.isascii() and (c.isalnum() or c in " .-") else f"\\{ord(c):x} " for c in text)
    return f'"{safe}"'


def as_printed(found: Any) -> Any:
    """Spell out what a text holds that no page should act on: control characters and marks that turn its direction."""
    if isinstance(found, Markup) or not isinstance(found, str) or found.isprintable():
        return found
    return "".join(c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in found)


@cache
def template(name: str) -> Template:
    """Return a template of the report."""
    return make_environment(PackageLoader("sequencer.report", "templates")).get_template(name)


def make_environment(loader: BaseLoader) -> Environment:
    """Return where templates are read, in which everything that came from outside is escaped and spelt out; with a result's words."""
    environment = Environment(
        loader=loader,
        autoescape=True,
        undefined=StrictUndefined,
        finalize=as_printed,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {
        "where": _where,
        "quantity": quantity_in_words,
        "value": lambda row: with_minus(value_in_words(row)),
        "voltages": voltages_in_words,
        "limits": lambda row: with_minus(limits_in_words(row)),
        "bar": limit_bar,
        "rule": _rule,
    }
    return environment


@cache
def style_text() -> str:
    """Return the style of every page."""
    return (files("sequencer.report") / "templates" / "report.css").read_text(encoding="utf-8")
