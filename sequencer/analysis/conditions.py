"""Under which conditions results were found, and in which of them they differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sequencer.frozen import dataclass
from sequencer.results.model import Result
from sequencer.results.settings import Settings, value_as_plain


def conditions_of(row: Result, instruments: str = "") -> dict[str, object]:
    """Return under which conditions a result was found, by name."""
    supply_v = row.supply_v
    supply = [] if supply_v is None else [f"supply {supply_v:g} V"]
    confirmed = {one.text for one in row.confirmations if one.confirmed}
    return {
        "unit of measure": row.unit,
        "frequency": row.frequency_hz,
        "sequence": _Told(sequence_hash=row.sequence_hash, settings=row.settings or Settings()),
        "conditions": "; ".join([*sorted(confirmed), *supply]),
        "simulated": row.simulated,
        "bench": row.bench_hash,
        "instruments": instruments,
        "rule": row.rule,
    }


def differing_conditions(conditions: Sequence[Mapping[str, object]]) -> dict[str, str]:
    """Return which conditions are not the same in all, each with what it is in them."""
    if all(one == conditions[0] for one in conditions):  # nearly always, and much sooner said
        return {}
    found = {}
    for name in conditions[0]:
        values: list[object] = []
        for one in conditions:
            if one[name] not in values:
                values.append(one[name])
        if len(values) > 1:
            found[name] = _in_words(name, values)
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Told:
    """What a check was told: by its sequence, and where the row carries them by its settings (tone, deviation, drive).

    Settings decide where both rows have them; else the sequence does. Under one sequence a setting that only one of the rows knows
    was added to the check between them, and counts as alike.
    """

    sequence_hash: str
    settings: Settings

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, _Told):
            return NotImplemented
        one_sequence = self.sequence_hash == other.sequence_hash
        if not self.settings or not other.settings:
            return one_sequence
        if one_sequence:
            known = set(self.settings.names) & set(other.settings.names)
            return all(self.settings.find(name) == other.settings.find(name) for name in known)
        return self.settings.as_plain() == other.settings.as_plain()  # whatever their order

    __hash__ = None  # type: ignore[assignment]

    def __str__(self) -> str:
        return self.sequence_hash


def _in_words(name: str, found: Sequence[object]) -> str:
    told = [one for one in found if isinstance(one, _Told) and one.settings]
    if name == "sequence" and len(told) == len(found):
        keys = list(dict.fromkeys(name for one in told for name in one.settings.names))
        changed = [
            key for key in keys if any(one.settings.find(key) != told[0].settings.find(key) for one in told)
        ]
        both = (
            f"{key} {' against '.join(str(value_as_plain(one.settings.find(key))) for one in told)}"
            for key in changed
        )
        return f"the check's settings differ: {', '.join(both)}"
    values = list(map(str, found))
    match name:
        case "simulated":
            return "one is simulated and the other is not"
        case "sequence":
            return f"the sequence's settings (tone, deviation, drive) may differ: {' against '.join(values)}"
        case "instruments":
            return "other instruments stood on the bench"
        case "bench":
            return f"other benches, which share no error: {' against '.join(values)}"
        case _:
            return f"{name}: {' against '.join(value or 'none' for value in values)}"
