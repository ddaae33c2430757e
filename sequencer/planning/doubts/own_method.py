"""Where a check names a row of a published document, and states itself what the row has otherwise: its limit, or how it measures."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import TypeAdapter, ValidationError

from sequencer.checks.settings import CheckSettings
from sequencer.planning.loading.limit_rows import TakenRow
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step

NOT_A_METHOD = frozenset({"channel", "mode", "at"})
"""Where and under which conditions something is measured: a sequence's own affair."""


def own_methods(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return what checks state beside the row that they name, with the checks' names, in the plan's order."""
    found: dict[str, dict[str, None]] = {}
    for step in plan.steps:
        if (row := plan.sequence.rows.at(step.at)) is None:
            continue
        limits = [f"a limit of its own, not that of {row.document}"] if own_limits(step, row) else []
        for said in (*limits, *departures(step, row)):
            found.setdefault(said, {})[step.check.name] = None
    return {said: tuple(checks) for said, checks in found.items()}


def own_limits(step: Step, row: TakenRow) -> frozenset[str]:
    """Return the keys of limits that the check states itself and the row has too."""
    return _limit_keys(step) & row.instead.keys()


def departures(step: Step, row: TakenRow) -> tuple[str, ...]:
    """Return how the check measures otherwise than the row has it: 'bandwidth 7 kHz, where … has 8.5 kHz'."""
    left_out = _limit_keys(step) | NOT_A_METHOD
    return tuple(
        f"{key.replace('_', ' ')} {_said(own)}, not {_said(theirs)} as in {row.document}"
        for key, (own, theirs) in row.instead.items()
        if key not in left_out and _differs(step.settings, key, own, theirs)
    )


def _limit_keys(step: Step) -> frozenset[str]:
    names = [name for name, _ in step.check.quantities(step.settings)]
    return frozenset(map(step.check.limit_key, names)) | frozenset(step.check.limit_keys.values())


def _differs(settings: CheckSettings, key: str, own: Any, theirs: Any) -> bool:
    """Say whether two values of a setting are not the same: as the check reads them, so that 1 kHz is 1000 Hz."""
    fields = type(settings).model_fields
    field = next((one for name, one in fields.items() if key in (name, one.alias)), None)
    if field is None or field.annotation is None:
        return bool(own != theirs)
    kind: Any = Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation
    adapter: TypeAdapter[Any] = TypeAdapter(kind)
    try:
        return bool(adapter.validate_python(own) != adapter.validate_python(theirs))
    except ValidationError:
        return bool(own != theirs)


def _said(value: Any) -> str:
    """Return a setting as a line says it; a mask or another long one only by its name."""
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, list) and all(isinstance(one, str | int | float) for one in value):
        return ", ".join(map(str, value))
    return "another" if isinstance(value, list | dict) else str(value)
