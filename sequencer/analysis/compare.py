"""Comparison: units, dates or groups side by side, check by check, and whether they differ.

Each group is a column. In a line stand the results of one quantity of one check on one channel in one mode; several results of a group
are taken as their mean. The first group with a value is what the others are held against. Two differ if their difference is larger than
its own expanded uncertainty (about 95 %, E_n beyond 1); else there is no significant difference. Where the conditions differ, the line
says so and compares nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, field, replace
from typing import Any

import numpy as np

from sequencer.analysis.conditions import conditions_of, differing_conditions
from sequencer.analysis.estimates import (
    ASSUMPTION,
    Differences,
    Estimate,
    differences,
    estimate_of,
    mean_of,
    shared_sources,
)
from sequencer.analysis.order import EXPLAINED, Order, order_of
from sequencer.analysis.statistics import e_n, zeta
from sequencer.frozen import dataclass
from sequencer.results.stored import StoredResult, StoredRun, instruments_text
from sequencer.results.text import value_in_words
from sequencer.units.format import counted

DIFFERS = "differs"
ALIKE = "no significant difference"
NOT_COMPARABLE = "not comparable"
NO_VALUE = "not measured"
NOT_THERE = "no such result"
UNCERTAIN = "uncertainty not stated"
NOT_KNOWN = "uncertainty not known"
"""Of a result whose budget was stored before budgets kept what is not stated: what was not stated counted as zero."""
CONNECTION_UNSTATED = "connection repeatability not stated"
"""Of a difference larger than what is stated: making the connections anew may account for it, and nobody said how far."""
THE_FIRST = "compared with this"

GROUPINGS: Mapping[str, Callable[[StoredRun], str]] = {
    "unit": lambda run: run.serial,
    "run": lambda run: run.again or run.run,
    "date": lambda run: run.time.date().isoformat(),
    "model": lambda run: run.model or "(no model)",
    "bench": lambda run: run.bench,
    "sequence": lambda run: run.sequence,
}
"""By what runs may be put into groups."""

ALLOWABLE = ("sequence", "conditions", "simulated")
"""Conditions a person may declare to be alike although they are written differently."""
_BLOCKING = ("unit of measure", "frequency", *ALLOWABLE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """What goes into one column: results, and who stood on the bench in each of their runs."""

    name: str
    rows: tuple[StoredResult, ...]
    instruments: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One group in one line.

    ``value`` and ``expanded`` in the line's unit, None if there is none; ``count`` results stand behind it, ``decisions`` are theirs.
    ``difference`` is from the line's first value, with its expanded uncertainty, ``e_n`` and ``zeta``; ``statement`` is one of this
    module's phrases, ``reason`` says why nothing is compared. ``place`` counts from 1 in the line's
    ``order``: one more than the number of groups that significantly come before it, so that groups which the results cannot separate
    share one. ``replaced``: how many earlier results were repeated since and do not count.
    """

    group: str
    statement: str
    value: float | None = None
    expanded: float | None = None
    count: int = 0
    decisions: tuple[str, ...] = ()
    difference: float | None = None
    difference_expanded: float | None = None
    e_n: float | None = None
    zeta: float | None = None
    replaced: int = 0
    place: int | None = None
    tied_with: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One quantity of one check on one channel in one mode, a cell a group.

    ``order`` says in words what the cells' ``place`` counts, as the limits of all its results ask: lowest is best under an upper limit,
    highest over a lower one, and between two limits what is nearest to the nominal value. Without limits it is plainly "lowest first".
    ``shared``: the errors taken to be common. ``differing``: conditions that differ and do not forbid the comparison.
    """

    check: str
    quantity: str
    channel: int | None
    mode: str
    unit: str
    cells: tuple[Cell, ...]
    order: str
    shared: tuple[str, ...]
    differing: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Groups side by side. ``notes`` are what a reader must know, in whole sentences."""

    groups: tuple[str, ...]
    lines: tuple[Line, ...]
    notes: tuple[str, ...]

    def as_plain(self) -> dict[str, Any]:
        """Return the whole comparison as plain values, ready for JSON; an infinite E_n is the text "infinite"."""
        plain = asdict(self)
        for line in plain["lines"]:
            for cell in line["cells"]:
                for score in ("e_n", "zeta"):
                    if cell[score] is not None and abs(cell[score]) == float("inf"):
                        cell[score] = "infinite"
        return plain


def group_runs(runs: Iterable[StoredRun], by: str = "unit") -> list[Group]:
    """Put runs, each with its ``results``, into groups by one of `GROUPINGS`, in the order of the first run of each.

    ValueError names the groupings for an unknown one.
    """
    if by not in GROUPINGS:
        raise ValueError(f"runs cannot be grouped by {by!r}; there are {', '.join(GROUPINGS)}")
    named: dict[str, list[StoredRun]] = {}
    for run in runs:
        named.setdefault(GROUPINGS[by](run), []).append(run)
    return [group_of(name, members) for name, members in named.items()]


def group_of(name: str, runs: Iterable[StoredRun]) -> Group:
    """Put all results of ``runs`` into one group."""
    members = list(runs)
    return Group(
        name=name,
        rows=tuple(row for run in members for row in run.results),
        instruments={run.run: instruments_text(run.instruments) for run in members},
    )


def compare(groups: Sequence[Group], *, allow: Iterable[str] = ()) -> Comparison:
    """Lay groups side by side.

    ``allow``: of `ALLOWABLE`, the conditions to be taken as alike. ValueError for fewer than two groups, two of one name, or an
    unknown condition.
    """
    allowed = frozenset(allow)
    _check(groups, allowed)
    columns = [_sorted(group) for group in groups]
    replaced = [_replaced(group) for group in groups]
    keys = list(dict.fromkeys(key for column in columns for key in column))
    lines = tuple(
        _line(key, [column.get(key, []) for column in columns], groups, replaced, allowed)
        for key in sorted(keys, key=lambda key: _first_seen(key, columns))
    )
    return Comparison(
        groups=tuple(group.name for group in groups), lines=lines, notes=tuple(_notes(lines, allowed))
    )


Key = tuple[str, str, Any, str]


def key_of(row: StoredResult) -> Key:
    """Return what results must agree in to stand in one line: check, quantity, channel, mode."""
    return (row.check, row.quantity, row.channel, row.mode)


def _sorted(group: Group) -> dict[Key, list[StoredResult]]:
    """Put a group's results under their keys; of one run's several, the last counts, and nothing as found before it was adjusted."""
    found: dict[Key, dict[str, StoredResult]] = {}
    for row in group.rows:
        if row.check != "confirm" and row.counts and row.stage != "as found":
            found.setdefault(key_of(row), {})[row.run] = row
    return {key: list(by_run.values()) for key, by_run in found.items()}


def _replaced(group: Group) -> Counter[Key]:
    """Return how many results of each key a repeat has replaced."""
    return Counter(key_of(row) for row in group.rows if not row.counts)


def _first_seen(key: Key, columns: Sequence[Mapping[Key, list[StoredResult]]]) -> tuple[int, int]:
    for at, column in enumerate(columns):
        if key in column:
            return (column[key][0].check_index, at)
    return (0, 0)


def _line(
    key: Key,
    columns: Sequence[list[StoredResult]],
    groups: Sequence[Group],
    replaced: Sequence[Mapping[Key, int]],
    allowed: frozenset[str],
) -> Line:
    check, quantity, channel, mode = key
    measured = [[row for row in rows if row.is_measured] for rows in columns]
    conditions = [
        [conditions_of(row, group.instruments.get(row.run, "")) for row in rows]
        for rows, group in zip(measured, groups, strict=True)
    ]
    first = next((at for at, rows in enumerate(measured) if rows), None)
    base = conditions[first] if first is not None else []
    reasons = [_reason(base + one, allowed) if one else "" for one in conditions]
    usable = [at for at, rows in enumerate(measured) if rows and not reasons[at]]
    estimates = {at: _estimate(measured[at], groups[at]) for at in range(len(groups)) if measured[at]}
    cells = [
        _value_cell(group.name, columns[at], estimates.get(at), reasons[at])
        for at, group in enumerate(groups)
    ]
    cells = [
        replace(cell, replaced=counts[key]) if counts[key] else cell
        for cell, counts in zip(cells, replaced, strict=True)
    ]
    order = order_of([row for at in usable for row in measured[at]])
    judged = _judged([cells[at] for at in usable], [estimates[at] for at in usable], order)
    for at, cell in zip(usable, judged, strict=True):
        cells[at] = cell
    alike = [one for at in usable for one in conditions[at]]
    differing = differing_conditions(alike) if alike else {}
    return Line(
        check=check,
        quantity=quantity,
        channel=channel,
        mode=mode,
        unit=next(row for rows in columns for row in rows).unit,
        cells=tuple(cells),
        order=order.words,
        shared=shared_sources(estimates[at] for at in usable),
        differing=tuple(differing.values()),
    )


def _reason(conditions: Sequence[Mapping[str, object]], allowed: frozenset[str]) -> str:
    found = differing_conditions(conditions)
    return "; ".join(text for name, text in found.items() if name in _BLOCKING and name not in allowed)


def _estimate(rows: Sequence[StoredResult], group: Group) -> Estimate:
    return mean_of([estimate_of(row, group.instruments.get(row.run, "")) for row in rows])


def _value_cell(name: str, rows: Sequence[StoredResult], estimate: Estimate | None, reason: str) -> Cell:
    """Return the cell of a group before anything is compared."""
    if estimate is None:
        statement = NO_VALUE if rows else NOT_THERE
        return Cell(group=name, statement=statement, decisions=_decisions(rows), reason=_why_not(rows))
    measured = [row for row in rows if row.is_measured]
    return Cell(
        group=name,
        statement=NOT_COMPARABLE,
        value=estimate.value,
        expanded=_stated_expanded(measured, estimate),
        count=len(measured),
        decisions=_decisions(rows),
        reason="; ".join(filter(None, (reason, _bounds_left_out(rows)))),
    )


def _judged(cells: Sequence[Cell], estimates: Sequence[Estimate], order: Order) -> list[Cell]:
    """Return the cells of one line that may be compared, held against the first of them, with their places."""
    if not cells:
        return []
    pairs = differences(estimates)
    separate, ahead = order.ahead(estimates)
    before = np.sum(separate & ahead, axis=0)
    placed = all(one.is_stated for one in estimates)
    found = []
    for here, (cell, estimate) in enumerate(zip(cells, estimates, strict=True)):
        score: dict[str, Any] = {"statement": THE_FIRST}
        if here > 0:
            score = _score(pairs, here, (estimates[0], estimate))
            score["difference"] = float(pairs.difference[0, here])
        if placed:
            tied = np.flatnonzero(~separate[:, here]).tolist()
            score["place"] = 1 + int(before[here])
            score["tied_with"] = tuple(cells[other].group for other in tied if other != here)
        found.append(replace(cell, **score))
    return found


def _score(pairs: Differences, here: int, both: tuple[Estimate, Estimate]) -> dict[str, Any]:
    """Return what is said of a difference; where not all of its uncertainty is known, only that it is larger than what is."""
    difference, expanded = float(pairs.difference[0, here]), float(pairs.expanded[0, here])
    score = e_n(difference, expanded)
    if not all(one.is_stated for one in both):
        lacking = UNCERTAIN if all(one.is_stated or one.is_known for one in both) else NOT_KNOWN
        return {"statement": ALIKE if lacking == NOT_KNOWN and abs(score) <= 1 else lacking}
    if not all(one.connections_stated for one in both):
        return {"statement": CONNECTION_UNSTATED if abs(score) > 1 else ALIKE}
    return {
        "statement": DIFFERS if abs(score) > 1 else ALIKE,
        "difference_expanded": expanded,
        "e_n": score,
        "zeta": zeta(difference, float(pairs.standard[0, here])),
    }


def _stated_expanded(rows: Sequence[StoredResult], estimate: Estimate) -> float | None:
    """Return one result's uncertainty as it was stated, or stored before anybody asked what is not; of several, that of their mean."""
    if not estimate.is_stated and estimate.is_known:
        return None
    stated = rows[0].uncertainty if len(rows) == 1 else None
    return estimate.expanded if stated is None else float(stated)


def _decisions(rows: Sequence[StoredResult]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(row.decision.value for row in rows))


def _why_not(rows: Sequence[StoredResult]) -> str:
    if bounded := next((row for row in rows if row.bound), None):
        words = f"{value_in_words(bounded)} is a bound, and no measured value"
        return "; ".join(filter(None, (words, bounded.note)))
    return str(rows[0].note or "") if rows else ""


def _bounds_left_out(rows: Sequence[StoredResult]) -> str:
    """Return how many results are left out because they are bounds; nothing where none is."""
    count = sum(bool(row.bound) for row in rows)
    return f"{counted(count, 'bound')} left out: no measured value" if count else ""


def _check(groups: Sequence[Group], allowed: frozenset[str]) -> None:
    if len(groups) < 2:
        raise ValueError(f"a comparison needs two groups or more; there is {len(groups)}")
    names = [group.name for group in groups]
    if twice := next((name for name in names if names.count(name) > 1), None):
        raise ValueError(f"two groups are called {twice!r}; name them apart")
    if unknown := allowed - set(ALLOWABLE):
        raise ValueError(
            f"{', '.join(sorted(unknown))}: cannot be taken as alike; only {', '.join(ALLOWABLE)} can"
        )


def _notes(lines: Sequence[Line], allowed: frozenset[str]) -> Iterable[str]:
    yield (
        "Differences are from the first group with a value. Two differ if their difference is larger than its own expanded "
        "uncertainty (about 95 %)."
    )
    if any(cell.place is not None for line in lines for cell in line.cells):
        yield EXPLAINED
    if any(cell.statement == CONNECTION_UNSTATED for line in lines for cell in line.cells):
        yield (
            "Where connection repeatability is not stated, making the connections anew may account for a difference as well as the units: "
            "nothing is said of it, and the numbers go by what is stated. 'sequencer reference first-bench' says how to find it; state it "
            "in the bench file, and measure again."
        )
    if any(cell.statement == NOT_KNOWN for line in lines for cell in line.cells):
        yield (
            "Where the uncertainty is not known, the result was stored before budgets kept what the bench file does not state: what was "
            "not stated counted as zero. Measure again to compare."
        )
    shared = dict.fromkeys(source for line in lines for source in line.shared)
    if shared:
        yield f"{ASSUMPTION} Taken as common here: {'; '.join(shared)}."
    if allowed:
        yield f"Taken as alike on request although written differently: {', '.join(sorted(allowed))}."
    if repeated := sum(cell.replaced for line in lines for cell in line.cells):
        did = "result was repeated since and does" if repeated == 1 else "results were repeated since and do"
        yield f"{repeated} earlier {did} not count; 'sequencer results' shows them with the reason."
    count = sum(cell.statement in (DIFFERS, ALIKE) for line in lines for cell in line.cells)
    if count >= 20:
        yield (
            f"{count} differences are judged, each at about 95 %: about {max(1, round(0.05 * count))} of them would be called "
            "different even if nothing differed."
        )
    for text in dict.fromkeys(text for line in lines for text in line.differing):
        yield f"Conditions that differ and do not forbid the comparison: {text}."
