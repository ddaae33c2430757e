"""Which results of a run belong on one plot, found by what they are called, so that a check need not know of reports.

Results of one check, unit and mode make a series over the channel, if there are three or more; results called "... at 300 Hz" or
"... at 13.2 V" one over that quantity; results called "S1", "S9+20 dB" of a signal meter one beside the nominal S-scale.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Row = Mapping[str, Any]
FEWEST = 3
S_UNIT_DB = 6.0  # IARU Region 1 R.1
S9_BELOW_30_MHZ_DBM, S9_ABOVE_DBM = -73.0, -93.0  # IARU Region 1 R.1

_AT = re.compile(
    r"^(?P<what>.*?),?\s+at\s+(?P<number>[-+]?\d+(?:\.\d+)?)\s*(?P<unit>kHz|Hz|mV|V|dBm|dB|%|s)\b(?P<rest>.*)$"
)
_S_POINT = re.compile(r"\bS(?P<units>[1-9])(?:\s*\+\s*(?P<over>\d{1,2})(?:\s*dB)?)?(?![\w+])")
_SCALES = {"kHz": (1e3, "Hz"), "mV": (1e-3, "V")}
_AXES = {
    "Hz": "audio frequency, Hz",
    "V": "volts",
    "dB": "dB",
    "dBm": "level, dBm",
    "%": "per cent",
    "s": "time, s",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Results in a row: ``x`` and the result there. ``name`` tells it from others on the plot."""

    name: str
    x: tuple[float, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """Series on one plot: over ``x_label``, on a logarithmic axis where they are frequencies."""

    title: str
    x_label: str
    unit: str
    series: tuple[Series, ...]
    logarithmic: bool = False
    of_channels: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterCurve:
    """A signal meter: at which level, dBm, it stood at which point of the S-scale, named and in dB from S9."""

    title: str
    s9_dbm: float
    names: tuple[str, ...]
    over_s9_db: tuple[float, ...]
    rows: tuple[Row, ...]


def sweeps_of(rows: Sequence[Row]) -> list[Sweep]:
    """Return the sweeps among a run's results."""
    measured = [row for row in rows if row["value"] is not None and row["unit"] and not _is_meter(row)]
    return [*_over_channels(measured), *_over_quantity(measured)]


def meter_curves_of(rows: Sequence[Row]) -> list[MeterCurve]:
    """Return the signal meter's curves among a run's results, one a channel."""
    found: dict[tuple[Any, ...], list[tuple[float, str, Row]]] = {}
    for row in rows:
        if row["value"] is None or not _is_meter(row):
            continue
        point = _S_POINT.search(row["quantity"])
        assert point is not None
        over_db = float(point["over"] or 0) - S_UNIT_DB * (9 - int(point["units"]))
        found.setdefault((row["check"], row["channel"], row["mode"]), []).append(
            (over_db, point[0].strip(), row)
        )
    return [
        _meter(members) for members in found.values() if len({over_db for over_db, _, _ in members}) >= FEWEST
    ]


def _meter(members: list[tuple[float, str, Row]]) -> MeterCurve:
    members.sort(key=lambda one: one[0])
    row = members[0][2]
    low = row["frequency_hz"] is None or row["frequency_hz"] < 30e6
    return MeterCurve(
        title=_titled("signal meter", row),
        s9_dbm=S9_BELOW_30_MHZ_DBM if low else S9_ABOVE_DBM,
        names=tuple(name for _, name, _ in members),
        over_s9_db=tuple(over_db for over_db, _, _ in members),
        rows=tuple(row for _, _, row in members),
    )


def _is_meter(row: Row) -> bool:
    return row["check"] == "s_meter_curve" and row["unit"] == "dBm" and bool(_S_POINT.search(row["quantity"]))


def _over_channels(rows: Iterable[Row]) -> list[Sweep]:
    groups: dict[tuple[Any, ...], dict[str, dict[float, Row]]] = {}
    for row in rows:
        if row["channel"] is not None and not _AT.match(row["quantity"]):
            series = groups.setdefault((row["check"], row["mode"], row["unit"]), {})
            series.setdefault(row["quantity"], {})[float(row["channel"])] = row
    return [
        sweep
        for (check, mode, unit), named in groups.items()
        if (
            sweep := _sweep(
                named, title=f"{_words(check)}, {mode}", x_label="channel", unit=unit, channels=True
            )
        )
    ]


def _over_quantity(rows: Iterable[Row]) -> list[Sweep]:
    groups: dict[tuple[Any, ...], dict[str, dict[float, Row]]] = {}
    for row in rows:
        if not (match := _AT.match(row["quantity"])):
            continue
        factor, unit = _SCALES.get(match["unit"], (1.0, match["unit"]))
        series = groups.setdefault((row["check"], row["channel"], row["mode"], row["unit"], unit), {})
        name = f"{match['what']}{match['rest']}".strip()
        series.setdefault(name, {})[float(match["number"]) * factor] = row
    return [
        sweep
        for (check, channel, mode, unit, over), named in groups.items()
        if (
            sweep := _sweep(
                named,
                title=f"{_words(check)}{'' if channel is None else f', channel {channel}'}, {mode}",
                x_label="supply, V" if "supply" in check else _AXES[over],
                unit=unit,
                logarithmic=over == "Hz",
            )
        )
    ]


def _sweep(
    named: Mapping[str, Mapping[float, Row]],
    *,
    title: str,
    x_label: str,
    unit: str,
    channels: bool = False,
    logarithmic: bool = False,
) -> Sweep | None:
    series = tuple(
        Series(name=name, x=tuple(sorted(at)), rows=tuple(at[x] for x in sorted(at)))
        for name, at in named.items()
        if len(at) >= FEWEST
    )
    if not series:
        return None
    positive = all(x > 0 for one in series for x in one.x)
    return Sweep(
        title=title,
        x_label=x_label,
        unit=unit,
        series=series,
        logarithmic=logarithmic and positive,
        of_channels=channels,
    )


def _titled(what: str, row: Row) -> str:
    return f"{what}{'' if row['channel'] is None else ', channel ' + str(row['channel'])}, {row['mode']}"


def _words(check: str) -> str:
    return check.replace("_", " ")
