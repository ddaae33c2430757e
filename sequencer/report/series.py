"""Find which results of a run belong on one plot, by the axis they say they stand along; no name is taken apart for it.

Three results or more along one axis (audio frequency, supply, …) of one check, channel, mode and unit make a sweep; marks of a signal
meter make a curve beside their nominal levels; what else was measured on three channels or more makes a sweep over the channels.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sequencer.frozen import dataclass
from sequencer.results.at_point import AtPoint, name_at
from sequencer.results.model import METER_MARK
from sequencer.results.stored import StoredResult

FEWEST = 3
S_UNIT_DB = 6.0  # IARU Region 1 R.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Results in a row: ``x`` and the result there. ``name`` tells it from others on the plot."""

    name: str
    x: tuple[float, ...]
    rows: tuple[StoredResult, ...]

    @property
    def values(self) -> tuple[float, ...]:
        """What was measured at each ``x``."""
        return _values(self.rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """Series on one plot: over ``x_label``, on a logarithmic axis where they are audio frequencies."""

    title: str
    x_label: str
    unit: str
    series: tuple[Series, ...]
    logarithmic: bool = False
    of_channels: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterCurve:
    """A signal meter: at which level, dBm, it stood at which point of the S-scale, in dB from S9; ``nominal_dbm`` of each, if known."""

    title: str
    over_s9_db: tuple[float, ...]
    nominal_dbm: tuple[float, ...] | None
    rows: tuple[StoredResult, ...]

    @property
    def levels_dbm(self) -> tuple[float, ...]:
        """The level of each point, dBm."""
        return _values(self.rows)

    @property
    def names(self) -> tuple[str, ...]:
        """The points of the scale as they are printed on a meter: S5, S9, S9+20 dB."""
        return tuple(
            f"S9+{over:g} dB" if over > 0 else f"S{9 + over / S_UNIT_DB:.3g}" for over in self.over_s9_db
        )

    @property
    def nominal_s9_dbm(self) -> float | None:
        """Where S9 should lie, dBm, as the marks' own nominal levels say; None where they do not."""
        return None if self.nominal_dbm is None else self.nominal_dbm[0] - self.over_s9_db[0]


def sweeps_of(rows: Sequence[StoredResult]) -> list[Sweep]:
    """Return the sweeps among a run's results."""
    measured = [row for row in rows if row.value is not None and row.unit and not _is_mark(row)]
    held = [(row, *point) for row in measured if (point := _point_of(row)) is not None]
    pointed = {id(row) for row, *_ in held}
    along = [*_over_points(held), *_along_axes(row for row in measured if id(row) not in pointed)]
    drawn = {id(row) for sweep in along for one in sweep.series for row in one.rows}
    return [*_over_channels(row for row in measured if id(row) not in drawn), *along]


def meter_curves_of(rows: Sequence[StoredResult]) -> list[MeterCurve]:
    """Return the signal meter's curves among a run's results, one a channel."""
    found: dict[tuple[Any, ...], dict[float, StoredResult]] = defaultdict(dict)
    for row in rows:
        if row.value is not None and _is_mark(row):
            found[row.check, row.check_index, row.channel, row.mode][_place(row)] = row
    return [_meter(marks) for marks in found.values() if len(marks) >= FEWEST]


def _meter(marks: Mapping[float, StoredResult]) -> MeterCurve:
    over_s9_db = tuple(sorted(marks))
    rows = tuple(marks[over] for over in over_s9_db)
    nominal = tuple(row.nominal for row in rows if row.nominal is not None)
    return MeterCurve(
        title=f"signal meter{_where(rows[0])}",
        over_s9_db=over_s9_db,
        nominal_dbm=nominal if len(nominal) == len(rows) else None,
        rows=rows,
    )


def _values(rows: Iterable[StoredResult]) -> tuple[float, ...]:
    return tuple(row.value for row in rows if row.value is not None)


def _is_mark(row: StoredResult) -> bool:
    return row.axis == METER_MARK and row.axis_value is not None


def _place(row: StoredResult) -> float:
    assert row.axis_value is not None
    return row.axis_value


def _over_channels(rows: Iterable[StoredResult]) -> list[Sweep]:
    groups: dict[tuple[Any, ...], dict[str, dict[float, StoredResult]]] = defaultdict(
        lambda: defaultdict(dict)
    )
    for row in rows:
        if row.channel is not None:
            groups[row.check, row.mode, row.unit][row.quantity][float(row.channel)] = row
    sweeps = (
        Sweep(
            title=f"{_words(check)}, {mode}",
            x_label="channel",
            unit=unit,
            series=_series(named),
            of_channels=True,
        )
        for (check, mode, unit), named in groups.items()
    )
    return [sweep for sweep in sweeps if sweep.series]


def _point_of(row: StoredResult) -> tuple[AtPoint, tuple[str, float, str]] | None:
    """Return the point of a check with axes at which a result was found, and the axis that it is drawn along; None for another."""
    point = AtPoint.of(row.settings)
    return None if point is None or point.axis is None else (point, point.axis)


def _over_points(rows: Iterable[tuple[StoredResult, AtPoint, tuple[str, float, str]]]) -> list[Sweep]:
    """Return sweeps over the slowest axis of checks with axes, with a series for each quantity and each value of the next."""
    groups: dict[tuple[Any, ...], dict[str, dict[float, StoredResult]]] = defaultdict(
        lambda: defaultdict(dict)
    )
    for row, point, (axis, value, axis_unit) in rows:
        key = (row.check, row.channel, row.mode, row.unit, f"{axis}, {axis_unit}")
        beside = f", {point.supply_v:g} V" if axis != "supply" and point.supply_v is not None else ""
        groups[key][name_at(row.quantity, point) + beside].setdefault(value, row)
    sweeps = (
        Sweep(
            title=f"{_words(key[0])}{_where(next(iter(next(iter(named.values())).values())))}",
            x_label=key[-1],
            unit=key[3],
            series=_series(named),
        )
        for key, named in groups.items()
    )
    return [sweep for sweep in sweeps if sweep.series]


def _along_axes(rows: Iterable[StoredResult]) -> list[Sweep]:
    groups: dict[tuple[Any, ...], list[StoredResult]] = defaultdict(list)
    for row in rows:
        if row.axis and row.axis_value is not None:
            key = (row.check, row.channel, row.mode, row.unit, row.axis, row.axis_unit)
            groups[key].append(row)
    sweeps = (
        Sweep(
            title=f"{_words(members[0].check)}{_where(members[0])}",
            x_label=f"{axis}, {axis_unit}",
            unit=unit,
            series=(series := _series(_by_step(members))),
            logarithmic=axis_unit == "Hz" and all(x > 0 for one in series for x in one.x),
        )
        for (*_, unit, axis, axis_unit), members in groups.items()
    )
    return [sweep for sweep in sweeps if sweep.series]


def _by_step(rows: Sequence[StoredResult]) -> dict[str, dict[float, StoredResult]]:
    """Put rows of one axis into series: those of one step of the sequence, or single results of several steps."""
    steps: dict[Any, list[StoredResult]] = defaultdict(list)
    for row in rows:
        steps[row.check_index].append(row)
    name = _words(rows[0].check)
    if all(len(members) == 1 for members in steps.values()):
        return {name: {_place(row): row for row in rows}}
    several = len(steps) > 1
    return {
        f"{name}, step {step}" if several and step is not None else name: {
            _place(row): row for row in members
        }
        for step, members in steps.items()
    }


def _series(named: Mapping[str, Mapping[float, StoredResult]]) -> tuple[Series, ...]:
    return tuple(
        Series(name=name, x=tuple(sorted(at)), rows=tuple(at[x] for x in sorted(at)))
        for name, at in named.items()
        if len(at) >= FEWEST
    )


def _where(row: StoredResult) -> str:
    return f"{'' if row.channel is None else ', channel ' + str(row.channel)}, {row.mode}"


def _words(check: str) -> str:
    return check.replace("_", " ")
