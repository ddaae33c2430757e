"""Runs that were kept beside their table by earlier sequencers: what they hold becomes records, once.

Frozen: texts are read only of files from before confirmations were records, and nothing else may be read so. Settings were a
mapping for longer.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

from sequencer.results.model import Confirmation, Result
from sequencer.results.settings import Settings

_NOT_CONFIRMED = "not confirmed ("
_SHARED_WORDS = ("accuracy", "reference", "path", "loss", "calibration", "certificate", "cable", "pad,")
_OWN_WORDS = ("repeatability", "search", "resolution", "scatter", "noise", "drift", "reading's")
_MISMATCH = "mismatch"
_OF_SPECTRUM = "of a spectrum"
_CHAMBER = re.compile(r"chamber (-?[\d.]+) °C \(([^)]*)\)")
_AIR, _SENSOR = re.compile(r"air read (-?[\d.]+) °C"), re.compile(r"sensor on the unit (-?[\d.]+) °C")
_SOAKED = re.compile(r"soaked (\d+) (s|min)\b")
_OF_A_DOCUMENT = ("limit of ", "measured with ", "U is ")
_SUPPLY = re.compile(r"supply ([-+0-9.e]+) V(?:; |$)")


class KeptBefore:
    """The results of one old kept run, in order."""

    def __init__(self) -> None:
        self._confirmed: list[Confirmation] = []

    def as_now(self, result: Result, old: bool) -> Result:
        """Return the result with its supply and confirmations as fields; one that is not ``old`` as it is."""
        if not old:
            return result
        supply = _SUPPLY.match(result.conditions)
        supply_v = None if supply is None else float(supply[1])
        asked = [_asked(result)] if result.check == "confirm" else []
        now = replace(
            result,
            supply_v=supply_v,
            confirmations=(*self._confirmed, *asked),
        )
        self._confirmed += [one for one in asked if one.confirmed]
        return now


def _asked(result: Result) -> Confirmation:
    how = result.note
    if how.startswith(_NOT_CONFIRMED):
        how = how.removeprefix(_NOT_CONFIRMED).removesuffix(")")
    return Confirmation(
        text=result.quantity.removeprefix("confirmed: "),
        confirmed=result.value == 1.0,
        how=how,
        when=result.time,
    )


def plain_as_now(plain: Any) -> Any:
    """Return what a file holds with budgets, settings and readings in the form they have now; what is not a kept run as it is."""
    if not isinstance(plain, dict) or not isinstance(plain.get("checks"), list):
        return plain
    return {**plain, "checks": [_with_results(check) for check in plain["checks"]]}


def _with_results(check: Any) -> Any:
    if not isinstance(check, dict) or not isinstance(check.get("results"), list):
        return check
    return {**check, "results": [_as_now(one) if isinstance(one, dict) else one for one in check["results"]]}


def _as_now(result: dict[str, Any]) -> dict[str, Any]:
    now, settings, budget = dict(result), result.get("settings"), result.get("budget")
    if isinstance(settings, dict) and not _is_of_now(settings):
        now["settings"] = asdict(Settings.of(settings))
    if "confirmations" not in result and isinstance(budget, dict):
        now["budget"] = _with_common(budget)
    if isinstance(points := result.get("points"), list):
        now["points"] = [_with_frequency(one) if isinstance(one, dict) else one for one in points]
    if "bound" not in result and result.get("value") is not None:
        now["bound"] = _bound_of(str(result.get("note")))
    if "document" not in result:
        now |= _in_words_up_to_13(str(result.get("conditions")), str(result.get("note")))
    return now


def _in_words_up_to_13(conditions: str, note: str) -> dict[str, Any]:
    """Return what conditions and note alone said up to schema 13: the chamber's temperatures, and what a document says."""
    found = _CHAMBER.search(conditions)
    read = "" if found is None else found[2]
    soaked = _SOAKED.search(read)
    return {
        "temperature_c": None if found is None else float(found[1]),
        "air_c": _number(_AIR, read),
        "sensor_c": _number(_SENSOR, read),
        "soaked_s": None if soaked is None else float(soaked[1]) * (60.0 if soaked[2] == "min" else 1.0),
        "read_by": "a person" if "by the word of a person" in read else "",
        "document": "\n".join(part for part in note.split("; ") if part.startswith(_OF_A_DOCUMENT)),
    }


def _number(pattern: re.Pattern[str], text: str) -> float | None:
    found = pattern.search(text)
    return None if found is None else float(found[1])


def _bound_of(note: str) -> str:
    """Return what the words of a note said up to schema 12, where a bound had no field of its own."""
    if "at most this: " in note:
        return "at most"
    words = (
        "at least this: ",
        ": at least this ratio, no product stands out",
        ": the receiver rejects at least ",
    )
    return "at least" if any(one in note for one in words) else ""


def _with_frequency(point: dict[str, Any]) -> dict[str, Any]:
    """Put the frequency of a point of a trace where it stands now: up to schema 10 it stood in the level's place."""
    if point.get("state") != _OF_SPECTRUM or "frequency_hz" in point:
        return point
    return {**point, "level_db": math.nan, "frequency_hz": point.get("level_db")}


def _is_of_now(settings: dict[str, Any]) -> bool:
    entries = settings.get("entries")
    return set(settings) == {"entries"} and isinstance(entries, list) and all(map(_is_setting, entries))


def _is_setting(entry: Any) -> bool:
    return isinstance(entry, dict) and set(entry) == {"name", "value"}


def _with_common(budget: dict[str, Any]) -> dict[str, Any]:
    """Say of each contribution what results share of it, as sequencers of that time told it from its words."""
    parts = budget.get("contributions")
    if not isinstance(parts, list) or not all(isinstance(one, dict) for one in parts):
        return budget
    kept = [{name: cell for name, cell in one.items() if name != "shared"} for one in parts]
    return {
        **budget,
        "contributions": [{"common": _common(one), **now} for one, now in zip(parts, kept, strict=True)],
    }


def _common(part: Mapping[str, Any]) -> str:
    source = str(part.get("source", "")).lower()
    mismatch = source.startswith(_MISMATCH)
    if "shared" in part:
        return ("unit" if mismatch else "bench") if part["shared"] else "none"
    if part.get("degrees_of_freedom") is not None or any(word in source for word in _OWN_WORDS):
        return "none"
    if mismatch:
        return "unit"
    return "bench" if any(word in source for word in _SHARED_WORDS) else "none"
