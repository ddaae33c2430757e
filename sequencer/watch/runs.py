"""Runs and results that an address asks for, one run with its report, and the bytes behind it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sequencer.analysis.repeats import as_one, read_whole
from sequencer.analysis.runs import named_run
from sequencer.analysis.trace import sent_again
from sequencer.frozen import dataclass
from sequencer.problems import InputError, nearest
from sequencer.report.crossings import search_curve
from sequencer.report.page import run_view
from sequencer.report.series import meter_curves_of, sweeps_of
from sequencer.results.line import LineFacts
from sequencer.results.store.commands import resume_where_found
from sequencer.results.store.store import Store
from sequencer.results.stored import StoredExchange, StoredResult, StoredRun
from sequencer.results.text import evaluated_text, line_text, not_ended_line
from sequencer.watch.asked import FILTERS, OF_RESULTS, Query, WrongAddress, address
from sequencer.watch.left import SUPPLY
from sequencer.watch.reader import Opened

_NEWEST = 50
MOST_MESSAGES = 500
"""Messages of a trace on one page."""
LAST = "last"
SIMULATED = "not a measurement of a real unit"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """A run in a list."""

    run: StoredRun
    decisions: tuple[tuple[str, int], ...]
    line: str
    said: tuple[str, ...]


def runs_page(store: Store, raw: bytes) -> dict[str, Any]:
    """Return the runs asked for, or the results where something is asked that only results have; newest first."""
    query = Query.read(raw, (*FILTERS, "after"))
    wanted, most = query.wanted(), query.limit
    of_results = any(query.all(name) for name in OF_RESULTS)
    rows: list[Any]
    if of_results:
        after = query.number("after", 0, 999_999_999)
        rows = list(store.find_results(wanted, limit=most + 1, points=False, after=after))
    else:
        rows = [run_row(one) for one in store.read_runs(wanted, limit=most + 1, after=query.one("after"))]
    shown = rows[:most]
    older = ""
    if len(rows) > most:
        # by the row, not by its time: the results of one check share theirs
        older = f"/runs?{query.without(after=str(shown[-1].id) if of_results else shown[-1].run.run)}"
    simulated = [one.simulated if of_results else one.run.simulated for one in shown]
    return {
        "query": query,
        "of_results": of_results,
        "rows": shown,
        "older": older,
        "filtered": {name: query.all(name) for name in FILTERS if query.all(name) and name != "limit"},
        "simulated": simulated_words(simulated, "results" if of_results else "runs"),
    }


def simulated_words(marks: list[bool], what: str) -> str:
    """Return what the strip of a page says; empty where nothing on it is simulated."""
    count = sum(marks)
    if not count:
        return ""
    return (
        f"no measurement of a real unit: {'all' if count == len(marks) else count} of the {what} listed here"
    )


def run_row(run: StoredRun) -> RunRow:
    """Return a run as a list shows it."""
    said = [f"resumed {run.resumed[-1].isoformat(timespec='seconds')}"] if run.resumed else []
    said += [f"repeats {run.again}, because: {run.reason}"] if run.again else []
    said += [evaluated_text(run)] if run.evaluated_from else []
    said += [f"{run.replaced} repeated since"] if run.replaced else []
    return RunRow(
        run=run,
        decisions=tuple(sorted(run.decisions.items())),
        line=line_text(LineFacts.of(run)),
        said=tuple(said),
    )


def find_run(store: Store, name: str) -> StoredRun:
    """Return the run that an address names: by its name, as much of its beginning as no other has, or "last". Raises WrongAddress."""
    try:
        newest = store.read_runs(limit=1) if name == LAST else []
        found = newest[0] if newest else None if name == LAST else named_run(name, store, store.where)
    except InputError as several:
        one = several.complaints[0]
        raise WrongAddress(f"{one.message}.", one.allowed, status=404) from several
    if found is not None:
        return found
    if name == LAST:
        raise WrongAddress("This store holds no run yet.", status=404)
    alike = nearest(name, [one.run for one in store.read_runs(limit=_NEWEST)])
    near = f" Did you mean {alike[0]}?" if alike else ""
    raise WrongAddress(f"There is no run {name!r} in this store.{near}", status=404)


def run_page(store: Store, raw: bytes) -> dict[str, Any]:
    """Return one run with all that its report has."""
    query = Query.read(raw, ("run", "all"))
    found = find_run(store, query.needed("run", LAST))
    members = read_whole(found, store)
    whole = as_one(members)
    every = query.one("all") == "yes"
    view = run_view(whole, 0, plots="none", every=False, every_channel=every)
    return {
        "run": view,
        "stored": whole,
        "members": members,
        "every": every,
        "curves": [
            (address("/curve.svg", run=whole.run, at=at), title)
            for at, title in enumerate(_curve_titles(whole.results))
        ],
        "not_ended": not_ended_line(whole, _resume(whole, store)),
        "simulated": SIMULATED if view.simulated else "",
        "supply": SUPPLY,
    }


def _resume(run: StoredRun, store: Store) -> str:
    folder = Path("results") if store.place.path is None else store.place.path.parent
    return resume_where_found(run.run, folder, store.place)


def _curve_titles(rows: tuple[StoredResult, ...]) -> list[str]:
    """Return what each curve of a run is headed, in the order in which they are drawn; none is drawn for it."""
    shown = [row for row in rows if row.check != "confirm"]
    titles = [curve.title for row in shown if (curve := search_curve(row)) is not None]
    titles += [curve.title for curve in meter_curves_of(shown)]
    return titles + [sweep.title for sweep in sweeps_of(shown)]


class Curves:
    """Draws the curves of runs, once each: by the library that the report draws with, one at a time."""

    MOST_KEPT = 32

    def __init__(self, opened: Opened) -> None:
        self._opened = opened
        self._lock = threading.Lock()
        self._kept: dict[tuple[str, int], list[bytes]] = {}

    def drawn(self, raw: bytes) -> bytes:
        """Return the curve that an address asks for, as SVG. Raises WrongAddress."""
        query = Query.read(raw, ("run", "at"))
        store = self._opened.store()
        whole = as_one(read_whole(find_run(store, query.needed("run", LAST)), store))
        at = query.number("at", 0, 9999) or 0
        with self._lock:
            key = (whole.run, len(whole.results))
            if key not in self._kept:
                self._kept[key] = _drawn(whole)
                while len(self._kept) > self.MOST_KEPT:
                    del self._kept[next(iter(self._kept))]
            found = self._kept[key]
        if at >= len(found):
            raise WrongAddress(f"Run {whole.run} has no curve {at}.", f"0 to {len(found) - 1}", status=404)
        return found[at]


def _drawn(run: StoredRun) -> list[bytes]:
    from sequencer.report.plots import plots_of

    rows = [row for row in run.results if row.check != "confirm"]
    return [_alone(str(one.svg)).encode() for one in plots_of(rows, "w")]


def _alone(svg: str) -> str:
    """Return a drawing that stands in a page as one that stands by itself."""
    return svg if "xmlns=" in svg else svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message of a trace."""

    exchange: StoredExchange
    text: str
    is_again: bool


def trace_page(store: Store, raw: bytes) -> dict[str, Any]:
    """Return the messages of a run, or those asked for."""
    query = Query.read(raw, ("run", "step", "check", "instrument", "faults", "from"))
    run = find_run(store, query.needed("run", LAST))
    results = store.read_results(run.run, points=False)
    checks = {one.check_index: one.check for one in results}
    exchanges = store.read_exchanges(run.run)
    step, check = query.number("step", 0, 99_999), query.one("check")
    steps = {
        at for at in _steps(checks, exchanges) if step in (None, at) and check in ("", checks.get(at, ""))
    }
    again, about_faults = sent_again(exchanges)
    asked = set(query.all("instrument")) or {one.instrument for one in exchanges}
    only_faults = query.one("faults") == "yes"
    found = [
        Message(
            exchange=one,
            text=one.content.decode("ascii", "backslashreplace").rstrip("\n"),
            is_again=at in again,
        )
        for at, one in enumerate(exchanges)
        if one.check_index in steps and one.instrument in asked and (at in about_faults or not only_faults)
    ]
    first = query.number("from", 0, 10**8) or 0
    cleared = store.read_cleared(run.run)
    here = {"run": run, "query": query, "count": len(found), "first": first, "cleared": cleared}
    return {
        **here,
        "messages": found[first : first + MOST_MESSAGES],
        "before": _portion(query, max(0, first - MOST_MESSAGES)) if first else "",
        "after": _portion(query, first + MOST_MESSAGES) if first + MOST_MESSAGES < len(found) else "",
        "checks": sorted(checks.items()),
        "instruments": sorted({one.instrument for one in exchanges}),
        "simulated": SIMULATED if run.simulated else "",
    }


def _steps(checks: dict[int, str], exchanges: list[StoredExchange]) -> set[int]:
    return {*checks, *(one.check_index for one in exchanges)}


def _portion(query: Query, first: int) -> str:
    return f"/trace?{query.without('from', **({'from': str(first)} if first else {}))}"


Shown = Callable[[Store, bytes], dict[str, Any]]
"""Works out what a page shows from its address."""
