"""A unit's results over time, with their uncertainty; units and runs side by side."""

from __future__ import annotations

from typing import Any

from sequencer.analysis.compare import (
    CONNECTION_UNSTATED,
    DIFFERS,
    NOT_THERE,
    Cell,
    Comparison,
    compare,
    group_of,
)
from sequencer.analysis.history import SIMULATED_NOTE, History, histories
from sequencer.analysis.repeats import read_whole
from sequencer.frozen import dataclass
from sequencer.results.store.store import Store, Wanted
from sequencer.results.stored import StoredRun, instruments_text
from sequencer.results.text import with_bound, with_minus
from sequencer.units.format import format_quantity, format_with_uncertainty, unit_of_difference
from sequencer.watch.asked import HIGHEST_CHANNEL, Query, WrongAddress
from sequencer.watch.drawing import history_chart
from sequencer.watch.runs import SIMULATED, find_run, run_row

MOST_UNITS = 100
MOST_RUNS = 300
"""Runs of which a comparison is made, at most: beyond them the page would take minutes."""
MOST_RESULTS = 5000
FEWEST, MOST_NAMES = 2, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryView:
    """One quantity of a unit, as it is shown."""

    title: str
    check: str
    chart: Any
    rows: tuple[tuple[Any, ...], ...]
    drift: str
    notes: tuple[str, ...]


def units_page(store: Store, raw: bytes) -> dict[str, Any]:
    """Return units: those measured last, or whose serials begin as is asked."""
    query = Query.read(raw, ("serial",))
    beginning = query.one("serial")
    found = store.find_units(beginning, limit=MOST_UNITS + 1)
    return {
        "beginning": beginning,
        "units": found[:MOST_UNITS],
        "more": len(found) > MOST_UNITS,
        "simulated": "",
    }


def unit_page(store: Store, raw: bytes) -> dict[str, Any]:
    """Return one unit: its runs, and each quantity over time."""
    query = Query.read(raw, ("serial", "check", "channel", "batch", "station"))
    serial = query.needed("serial", "M40-0007")
    wanted = Wanted(
        serials=(serial,),
        check=query.one("check"),
        channel=query.number("channel", 0, HIGHEST_CHANNEL),
        batch=query.one("batch"),
        station=query.one("station"),
        measured=True,
    )
    runs = store.read_runs(Wanted(serials=(serial,)), limit=MOST_UNITS)
    if not runs:
        raise WrongAddress(f"There is no unit {serial!r} in this store.", status=404)
    rows = store.find_results(wanted, limit=MOST_RESULTS, points=False)[::-1]
    who = store.read_instruments(list(dict.fromkeys(row.run for row in rows)))
    found = histories(rows, instruments={run: instruments_text(one) for run, one in who.items()})
    return {
        "serial": serial,
        "model": runs[0].model,
        "runs": [run_row(one) for one in runs],
        "histories": [_history(one, bannered=_simulated(runs) == SIMULATED) for one in found],
        "chosen": query.without("serial"),
        "checks": sorted({row.check for row in rows if row.check != "confirm"}),
        "query": query,
        "cut": len(rows) == MOST_RESULTS,
        "simulated": _simulated(runs),
    }


def _simulated(runs: list[StoredRun]) -> str:
    marked = sum(one.simulated for one in runs)
    if marked == len(runs):
        return SIMULATED
    return f"{marked} of {len(runs)} runs are no measurement of a real unit" if marked else ""


def _history(one: History, *, bannered: bool) -> HistoryView:
    where = "" if one.channel is None else f", channel {one.channel}"
    rows = tuple(
        (
            point.time,
            with_bound(point.bound, _with_uncertainty(point.value, point.expanded, one.unit)),
            point.decision,
            point.run,
            point.left_out,
        )
        for point in reversed(one.points)
    )
    return HistoryView(
        title=f"{one.quantity}{where}, {one.mode}" if one.mode else f"{one.quantity}{where}",
        check=one.check,
        chart=history_chart(one),
        rows=rows,
        drift=with_minus(one.drift.statement),
        notes=tuple(note for note in one.notes if not (bannered and note == SIMULATED_NOTE)),
    )


def _with_uncertainty(value: float | None, expanded: float | None, unit: str) -> str:
    if value is None:
        return "–"
    if expanded is None or not expanded < float("inf"):
        return with_minus(format_quantity(value, unit))
    return with_minus(format_with_uncertainty(value, expanded, unit))


@dataclass(frozen=True, slots=True, kw_only=True)
class CellView:
    """One group in one line of a comparison."""

    group: str
    value: str
    difference: str
    e_n: str
    statement: str
    place: str
    reason: str
    stands_out: bool


def compare_page(store: Store, raw: bytes) -> dict[str, Any]:
    """Return units or runs side by side; without names the form alone."""
    query = Query.read(raw, ("name", "all"))
    names = tuple(dict.fromkeys(query.all("name")))
    shown: dict[str, Any] = {"names": names, "every": query.one("all") == "yes", "query": query}
    if not names:
        return {**shown, "lines": [], "comparison": None, "left_out": 0, "simulated": ""}
    if not FEWEST <= len(names) <= MOST_NAMES:
        raise WrongAddress(
            f"A comparison lays {FEWEST} to {MOST_NAMES} units or runs side by side; there is {len(names)}.",
            "?name=…&name=…, each a unit's serial or a run's name",
        )
    named = [(name, _members(store, name)) for name in names]
    try:
        comparison = compare([group_of(name, members) for name, members in named])
    except ValueError as error:
        raise WrongAddress(f"These cannot be compared: {error}.") from error
    lines = [
        (line, [_cell(cell, line.unit) for cell in line.cells if cell.statement != NOT_THERE])
        for line in comparison.lines
    ]
    differing = [one for one in lines if any(cell.stands_out for cell in one[1])]
    return {
        **shown,
        "comparison": comparison,
        "lines": lines if shown["every"] else differing,
        "left_out": 0 if shown["every"] else len(lines) - len(differing),
        "groups": _groups(named),
        "simulated": _simulated([one for _, members in named for one in members]),
        "summary": _summary(comparison),
    }


def _members(store: Store, name: str) -> list[StoredRun]:
    """Return the runs of the unit of that name, or the run of that name with those that repeat it."""
    wanted = Wanted(serials=(name,), measured=True)
    runs = store.read_runs(wanted, limit=MOST_RUNS + 1)
    if len(runs) > MOST_RUNS:
        raise WrongAddress(
            f"Unit {name!r} has more than {MOST_RUNS} runs.",
            "names of single runs; 'sequencer compare' takes all",
        )
    if runs:
        return list(store.iterate_runs(wanted, points=False))
    return read_whole(find_run(store, name), store, points=False)


def _groups(named: list[tuple[str, list[StoredRun]]]) -> list[tuple[str, str, int]]:
    return [(name, "unit" if members[0].serial == name else "run", len(members)) for name, members in named]


def _summary(comparison: Comparison) -> str:
    found = [{cell.statement for cell in line.cells} for line in comparison.lines]
    differ = sum(DIFFERS in one for one in found)
    apart = sum(CONNECTION_UNSTATED in one for one in found)
    said = f"{differ} of {len(found)} quantities differ by more than the uncertainty of the difference."
    if apart:
        said += f" {apart} more lie further apart than what is stated explains, and how well connections repeat is not stated."
    return said


def _cell(cell: Cell, unit: str) -> CellView:
    several = f" (mean of {cell.count})" if cell.count > 1 else ""
    difference = ""
    if cell.difference is not None:
        difference = _with_uncertainty(cell.difference, cell.difference_expanded, unit_of_difference(unit))
    return CellView(
        group=cell.group,
        value=_with_uncertainty(cell.value, cell.expanded, unit) + several,
        difference=difference,
        e_n="" if cell.e_n is None else with_minus(f"{cell.e_n:.2f}"),
        statement=cell.statement,
        place="" if cell.place is None else f"{cell.place}{'=' if cell.tied_with else ''}",
        reason=cell.reason,
        stands_out=cell.statement in (DIFFERS, CONNECTION_UNSTATED),
    )
