"""The entry with which the trace of a run that is carried on goes on: when, how the part before it ended, and what is left to be made."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from drivers.trace import Direction, Exchange
from sequencer.frozen import dataclass
from sequencer.results.model import NOT_ENDED
from sequencer.run.facts import RunFacts

NAMED = "run"
"""Who the entry is of: no instrument."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedOn:
    """What such an entry says: when, how the attempt before it ended, and the numbers of the checks that were to be made."""

    at: datetime
    before: str
    steps: frozenset[int]


def mark_of(facts: RunFacts, at: datetime, *, time_s: float) -> Exchange:
    """Return the entry for a run that is carried on ``at`` that moment; ``time_s`` is on the bench's clock."""
    assert facts.carried is not None
    before = facts.carried.read.outcome or NOT_ENDED
    return Exchange(
        time_s=time_s,
        instrument=NAMED,
        direction=Direction.OPENED,
        content=f"carried on; it had ended before: {before}".encode("utf-8", "replace"),
        facts={
            "carried_on": at.isoformat(timespec="milliseconds"),
            "before": before,
            "steps": " ".join(str(step.index) for step in facts.plan.steps),
        },
    )


def read_mark(exchange: Exchange) -> CarriedOn | None:
    """Return what such an entry says; None for any other."""
    facts = exchange.facts
    if exchange.instrument != NAMED or facts is None or "carried_on" not in facts:
        return None
    try:
        at = datetime.fromisoformat(facts["carried_on"])
        steps = frozenset(map(int, facts.get("steps", "").split()))
    except ValueError:
        return None
    return CarriedOn(at=at, before=facts.get("before", NOT_ENDED), steps=steps)


def whole_milliseconds(moments: Collection[datetime]) -> tuple[datetime, ...]:
    """Return moments as they are kept."""
    return tuple(datetime.fromisoformat(one.isoformat(timespec="milliseconds")) for one in moments)
