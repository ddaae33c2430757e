"""Runs and results to be stored, for tests of the store."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from drivers.trace import Direction, Exchange
from sequencer.results.model import COLUMNS, Result
from sequencer.uncertainty.decision import Decision

RUN = {
    "run": "r1",
    "time": "2027-01-02T03:04:05.000+00:00",
    "serial": "M40-0007",
    "model": "M40",
    "sequence": "Acceptance",
    "sequence_hash": "a",
    "bench": "Demonstration bench (simulated)",
    "bench_hash": "b",
    "simulated": True,
    "outcome": "not ended",
}


def a_result(**changes: Any) -> Result:
    """Return a result of the run, changed by name."""
    facts: dict[str, Any] = {name: RUN.get(name, "x") for name in COLUMNS}
    facts |= {"time": datetime(2027, 1, 2, tzinfo=UTC), "decision": Decision.PASS, "simulated": True}
    facts |= {"channel": 20, "frequency_hz": 27.205e6, "value": -120.0, "uncertainty": 0.9}
    facts |= {"lower_limit": None, "upper_limit": -113.0}
    facts |= dict.fromkeys(("target", "slope", "axis_value", "nominal", "supply_v"))
    return Result(**(facts | changes))


def an_exchange(content: bytes = b"*IDN?\n", fault: str = "") -> Exchange:
    """Return a message that was sent."""
    return Exchange(time_s=1.5, instrument="radio", direction=Direction.SENT, content=content, fault=fault)
