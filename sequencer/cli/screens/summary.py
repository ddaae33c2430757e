"""The end of a run: whether every limit was met, and what was not, with value, limit and by how much."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from sequencer.problems import printable
from sequencer.results.conditional import conditional_words, met_words
from sequencer.results.model import Result
from sequencer.results.stages import counting
from sequencer.results.sweep import folded
from sequencer.results.text import limits_text, quantity_in_words, shortfall_text, value_in_words
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sequencer.units.format import counted

if TYPE_CHECKING:
    from rich.table import Table

MOST_NAMED = 12
"""Results that the end of a run names; the table above it has all."""
_FAILED = (Decision.FAIL, Decision.CONDITIONAL_FAIL)


def verdict_line(outcome: RunOutcome) -> str:
    """Return in one or two sentences how a run went."""
    decisions = [one.decision for one in counting(outcome.results)]
    failed = sum(one in _FAILED for one in decisions)
    limited = sum(one is not Decision.NO_LIMIT for one in decisions)
    said = [f"{failed} of {counted(limited, 'limit')} not met."] if failed else []
    if outcome.status is ExitStatus.PASSED:
        return met_words(outcome.results)
    if conditional := conditional_words(outcome.results):
        said.append(conditional)
    if outcome.status is ExitStatus.INTERRUPTED:
        why = "see below" if outcome.problems else "what was measured is kept"
        said.insert(0, f"Interrupted; {why}.")
    elif outcome.status is ExitStatus.BENCH_FAILED and outcome.problems:
        said.append("The bench failed; see below.")
    if missing := decisions.count(Decision.NOT_MEASURED):
        said.append(f"{counted(missing, 'result')} not measured.")
    return " ".join(said)


def not_met(results: Sequence[Result]) -> list[Result]:
    """Return the results that did not meet their limits or were not measured."""
    wrong = (*_FAILED, Decision.NOT_MEASURED)
    return _without_counts([one for one in folded(counting(results)) if one.decision in wrong])


def not_met_table(results: Sequence[Result], *, width: int = 80) -> Table | None:
    """Return what did not meet its limits or was not measured, a line each; None where there is nothing of the kind."""
    from rich.table import Table
    from rich.text import Text

    wrong = not_met(results)
    if not wrong:
        return None
    table = Table.grid(padding=(0, 2, 0, 0))
    room = width - 2 - max(len(row.decision.value) for row in wrong[:MOST_NAMED])
    for row in wrong[:MOST_NAMED]:
        table.add_row(Text(row.decision.value, style="bold red"), Text(_wrapped(not_met_text(row), room)))
    if len(wrong) > MOST_NAMED:
        table.add_row("…", f"and {len(wrong) - MOST_NAMED} more, in the table above")
    return table


def _wrapped(text: str, width: int) -> str:
    """Return text in lines of ``width`` columns, in which a number stays beside its unit."""
    # Rich breaks at a no-break space too; the standard library does not.
    kept = re.sub(r"(?<=[0-9)]) (?=[^\W\d_]{1,3}\b|%|ohm\b)", "\N{NO-BREAK SPACE}", printable(text))
    return textwrap.fill(kept, max(width, 12)).replace("\N{NO-BREAK SPACE}", " ")


def _without_counts(rows: list[Result]) -> list[Result]:
    """Return the results without those that only count others of their check, which are named themselves."""
    named = {row.check for row in rows if not _is_exact(row)}
    return [row for row in rows if not _is_exact(row) or row.check not in named]


def _is_exact(row: Result) -> bool:
    return row.uncertainty == 0.0 and row.unit != ""


def not_met_text(row: Result) -> str:
    """Return what did not meet its limit: where, its value, and by how much; why, where nothing was measured."""
    where = "" if row.channel is None else f", channel {row.channel}"
    return f"{quantity_in_words(row)}{where}: {', '.join(_said_of(row))}"


def _said_of(row: Result) -> Iterator[str]:
    if row.value is None:
        yield row.note or "no reading"
        return
    yield value_in_words(row)
    if (
        row.unit == "" or row.uncertainty == 0.0
    ):  # an answer or a count: how it came about says more than a difference
        yield row.note or limits_text(row)
        return
    yield shortfall_text(row)
