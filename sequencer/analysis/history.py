"""History: one quantity of one unit over time, and whether it drifts.

The drift is the slope of a straight line through the results, by generalised least squares: what the bench's errors have in common does not
tilt the line. Two results make no drift; nor do results at one time, or under conditions that changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from sequencer.analysis.compare import ALLOWABLE, Key, key_of
from sequencer.analysis.conditions import conditions_of, differing_conditions
from sequencer.analysis.estimates import (
    Estimate,
    covariance_of,
    differences,
    estimate_of,
    shared_sources,
)
from sequencer.analysis.statistics import FEWEST_FOR_A_LINE, Line, fit_line, lag_one_autocorrelation
from sequencer.frozen import dataclass
from sequencer.results.stored import StoredResult
from sequencer.units.format import unit_of_difference

YEAR_S = 365.25 * 86400.0
_UNITS_OF_TIME = (("year", YEAR_S, 30 * 86400.0), ("day", 86400.0, 86400.0), ("hour", 3600.0, 0.0))
"""Name, length, and the shortest history of which something may be said per this unit of time."""
_FEWEST_FOR_NEIGHBOURS = 8

SIMULATED_NOTE = "Simulated: not a measurement of a real unit."
Status = str
NO_RESULT = "no result"
TOO_FEW = "too few results"
NO_TIME = "all at one time"
NO_DRIFT = "no significant drift"
DRIFTS = "drifts"
CONNECTION_UNSTATED = "connection repeatability not stated"


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryPoint:
    """One result: ``time`` as stored, ``value`` and expanded uncertainty in the history's unit.

    ``left_out`` says why it does not count for the drift; empty if it does. ``bound``: that the value is a bound only, which never does.
    """

    time: str
    run: str
    value: float | None
    expanded: float | None
    decision: str
    left_out: str = ""
    bound: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What may be said of a drift.

    ``status``: one of this module's phrases. ``slope`` and its expanded uncertainty (about 95 %) per ``per`` ("year", "day" or "hour",
    whatever the length of the history allows); None where nothing can be said. ``statement`` is the whole sentence.
    ``line`` gives the fitted value at seconds after the first point that counts.
    """

    status: Status
    statement: str
    slope: float | None = None
    slope_expanded: float | None = None
    per: str = ""
    count: int = 0
    line: Line | None = None
    started: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """One quantity of one unit over time."""

    serial: str
    check: str
    quantity: str
    channel: int | None
    mode: str
    unit: str
    lower_limit: float | None
    upper_limit: float | None
    simulated: bool
    points: tuple[HistoryPoint, ...]
    drift: Drift
    notes: tuple[str, ...]

    def as_plain(self) -> dict[str, Any]:
        """Return the history as plain values, ready for JSON."""
        plain = asdict(self)
        line = plain["drift"]["line"]
        if line is not None and math.isinf(line["dof"]):
            line["dof"] = None
        return plain


def histories(
    rows: Iterable[StoredResult], *, allow: Iterable[str] = (), instruments: Mapping[str, str] | None = None
) -> list[History]:
    """Return the history of each quantity of each unit among the rows, in the order in which they first appear.

    ``allow``: of `sequencer.analysis.compare.ALLOWABLE`, the conditions to be taken as alike.
    ``instruments``: run to who stood on its bench.
    """
    found: dict[tuple[str, Key], list[StoredResult]] = {}
    for row in rows:
        if row.check != "confirm":
            found.setdefault((row.serial, key_of(row)), []).append(row)
    return [history(members, allow=allow, instruments=instruments) for members in found.values()]


def history(
    rows: Sequence[StoredResult], *, allow: Iterable[str] = (), instruments: Mapping[str, str] | None = None
) -> History:
    """Return the history of the one quantity of one unit that ``rows`` hold, in any order.

    ValueError for no rows, rows of several units or quantities, or an unknown condition in ``allow``.
    """
    allowed = frozenset(allow)
    _check(rows, allowed)
    who = instruments or {}
    ordered = sorted(rows, key=lambda row: row.time.timestamp())
    left_out = _left_out(ordered, who, allowed)
    counted = [row for row, why in zip(ordered, left_out, strict=True) if not why]
    estimates = [estimate_of(row, who.get(row.run, "")) for row in counted]
    newest = next((row for row in reversed(ordered) if row.counts), ordered[-1])
    return History(
        serial=newest.serial,
        check=newest.check,
        quantity=newest.quantity,
        channel=newest.channel,
        mode=newest.mode,
        unit=newest.unit,
        lower_limit=newest.lower_limit,
        upper_limit=newest.upper_limit,
        simulated=any(row.simulated for row in ordered),
        points=tuple(_point(row, why) for row, why in zip(ordered, left_out, strict=True)),
        drift=_drift(counted, estimates),
        notes=tuple(_notes(ordered, estimates)),
    )


def _left_out(rows: Sequence[StoredResult], who: Mapping[str, str], allowed: frozenset[str]) -> list[str]:
    """Return for each row why it does not count: those that count are comparable with the newest value."""
    measured = (row for row in reversed(rows) if row.is_measured and not _superseded(row))
    if (newest := next(measured, None)) is None:
        return [_superseded(row) or _not_measured(row) for row in rows]
    base = conditions_of(newest, who.get(newest.run, ""))
    blocking = {"unit of measure", "frequency", *ALLOWABLE} - allowed
    reasons = []
    for row in rows:
        found = differing_conditions([base, conditions_of(row, who.get(row.run, ""))])
        why = "; ".join(text for name, text in found.items() if name in blocking)
        reasons.append(_superseded(row) or _not_measured(row) or why)
    return reasons


def _not_measured(row: StoredResult) -> str:
    """Return that a row has no value that was measured; nothing where it has one."""
    if row.value is None:
        return "not measured"
    return f"a bound ({row.bound} this), and no measured value" if row.bound else ""


def _superseded(row: StoredResult) -> str:
    """Return which later result counts in its place, if one does."""
    if not row.counts:
        return f"repeated in run {row.replaced_by}, which counts"
    return "as found; what was left counts" if row.stage == "as found" else ""


def _point(row: StoredResult, why: str) -> HistoryPoint:
    return HistoryPoint(
        time=_iso(row.time),
        run=row.run,
        value=row.value,
        expanded=row.uncertainty,
        decision=row.decision.value,
        left_out=why,
        bound=row.bound,
    )


def _drift(rows: Sequence[StoredResult], estimates: Sequence[Estimate]) -> Drift:
    if not rows:
        return Drift(
            status=NO_RESULT, statement="There is no measured result: nothing can be said of a drift."
        )
    unit = unit_of_difference(rows[0].unit)
    if len(rows) < FEWEST_FOR_A_LINE:
        return Drift(status=TOO_FEW, statement=_few(rows, estimates, unit), count=len(rows))
    seconds = [row.time.timestamp() for row in rows]
    times = [at - seconds[0] for at in seconds]
    span_s = times[-1]
    if span_s <= 0:
        return Drift(
            status=NO_TIME,
            statement="All results carry one time: nothing can be said of a drift.",
            count=len(rows),
        )
    line, how = _fitted(times, estimates)
    per, length_s, _ = next(one for one in _UNITS_OF_TIME if span_s >= one[2])
    slope, expanded = line.slope * length_s, line.slope_expanded * length_s
    drifts = abs(slope) > expanded
    amount = f"{slope:+.2g} ± {expanded:.2g} {unit}".rstrip()
    connected = all(one.connections_stated for one in estimates)
    status = NO_DRIFT if not drifts else DRIFTS if connected else CONNECTION_UNSTATED
    words = {
        NO_DRIFT: f"No significant drift ({amount} per {per})",
        DRIFTS: f"It drifts by {amount} per {per}",
        CONNECTION_UNSTATED: f"The results go by {slope:+.2g} {unit} per {per}".replace("  ", " "),
    }[status]
    told = f"{words}, about 95 %, from {len(rows)} results over {_span(span_s)}; {how}."
    if status == CONNECTION_UNSTATED:
        told = (
            f"{words}, from {len(rows)} results over {_span(span_s)}, which is more than what is stated explains. Connection repeatability "
            "is not stated: whether the unit drifts or its connections differ cannot be told. 'sequencer reference first-bench' says how "
            "to find it."
        )
    return Drift(
        status=status,
        statement=told,
        slope=slope,
        slope_expanded=expanded,
        per=per,
        count=len(rows),
        line=line,
        started=_iso(rows[0].time),
    )


def _fitted(times: Sequence[float], estimates: Sequence[Estimate]) -> tuple[Line, str]:
    values = [one.value for one in estimates]
    if all(one.is_stated and one.own_variance > 0 for one in estimates):
        line = fit_line(times, values, covariance=covariance_of(estimates))
        if math.isinf(line.dof):
            return line, "the scatter about the line is what the stated uncertainties lead one to expect"
        return (
            line,
            "they scatter more than their stated uncertainties explain, and the uncertainty was widened accordingly",
        )
    return fit_line(
        times, values
    ), "not all uncertainties are stated, so the uncertainty rests on the scatter alone"


def _few(rows: Sequence[StoredResult], estimates: Sequence[Estimate], unit: str) -> str:
    if len(rows) == 1:
        return "There is one result: nothing can be said of a drift."
    pair = differences(estimates)
    change = float(pair.difference[0, 1])
    said = f"the second is {change:+.3g} {unit}".rstrip()
    if all(one.is_stated for one in estimates):
        expanded = float(pair.expanded[0, 1])
        if all(one.connections_stated for one in estimates):
            verdict = "which differs" if abs(change) > expanded else "no significant difference"
            said = (
                f"the second is {change:+.2g} ± {expanded:.2g} {unit}".rstrip()
                + f" from the first, {verdict}"
            )
        else:
            known = "connection repeatability is not stated, so that nothing is said of it"
            verdict = known if abs(change) > expanded else "no significant difference"
            said = f"the second is {change:+.2g} {unit}".rstrip() + f" from the first; {verdict}"
    return f"There are two results, and {said}; through two points every line fits, so nothing is said of a drift."


def _notes(rows: Sequence[StoredResult], estimates: Sequence[Estimate]) -> Iterable[str]:
    if any(row.simulated for row in rows):
        yield SIMULATED_NOTE
    if shared := shared_sources(estimates):
        yield f"Taken as the same error in all results of one bench, which does not tilt the line: {'; '.join(shared)}."
    values = [one.value for one in estimates]
    if len(values) >= _FEWEST_FOR_NEIGHBOURS and max(values) > min(values):
        likeness = lag_one_autocorrelation(values)
        if likeness > 2 / math.sqrt(len(values)):
            yield (
                f"Neighbouring results resemble each other (lag-1 autocorrelation {likeness:.2f}): a drift or a step; "
                "look at the plot before believing a straight line."
            )


def _iso(time: datetime) -> str:
    return time.isoformat(timespec="milliseconds")


def _span(span_s: float) -> str:
    for name, length_s in (("years", YEAR_S), ("days", 86400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if span_s >= 2 * length_s:
            return f"{span_s / length_s:.1f} {name}"
    return f"{span_s:.3g} seconds"


def _check(rows: Sequence[StoredResult], allowed: frozenset[str]) -> None:
    if not rows:
        raise ValueError("no results: a history needs one or more")
    if unknown := allowed - set(ALLOWABLE):
        raise ValueError(
            f"{', '.join(sorted(unknown))}: cannot be taken as alike; only {', '.join(ALLOWABLE)} can"
        )
    kinds = {(row.serial, *key_of(row)) for row in rows}
    if len(kinds) > 1:
        raise ValueError(
            f"results of {len(kinds)} units or quantities; a history is of one. Choose by unit, check, quantity and channel."
        )
