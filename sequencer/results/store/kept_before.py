"""Runs that were kept beside their table before confirmations were records: what their texts hold becomes records, once.

Frozen: it reads what sequencers up to schema 3 wrote, and nothing else may be read so.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sequencer.results.model import Confirmation, Result

_NOT_CONFIRMED = "not confirmed ("
_SHARED_WORDS = ("accuracy", "reference", "path", "loss", "calibration", "certificate", "cable", "pad,")
_OWN_WORDS = ("repeatability", "search", "resolution", "scatter", "noise", "drift", "reading's")
_MISMATCH = "mismatch"
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
            budget=_with_common(result.budget),
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


def _with_common(budget: Mapping[str, Any] | None) -> Mapping[str, Any] | None:
    """Say of each contribution what results share of it, as sequencers of that time told it from its words."""
    if not budget or "contributions" not in budget:
        return budget
    return {**budget, "contributions": [{"common": _common(one), **one} for one in budget["contributions"]]}


def _common(part: Mapping[str, Any]) -> str:
    source = str(part["source"]).lower()
    mismatch = source.startswith(_MISMATCH)
    if "shared" in part:
        return ("unit" if mismatch else "bench") if part["shared"] else "none"
    if part["degrees_of_freedom"] is not None or any(word in source for word in _OWN_WORDS):
        return "none"
    if mismatch:
        return "unit"
    return "bench" if any(word in source for word in _SHARED_WORDS) else "none"
