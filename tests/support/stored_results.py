"""Runs and results to be stored, for tests of the store."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from drivers.trace import Direction, Exchange
from sequencer.results.model import COLUMNS, Result, RunRecord
from sequencer.results.settings import Settings
from sequencer.results.stored_budget import StoredBudget, StoredPart
from sequencer.uncertainty.decision import Decision

RUN = RunRecord(
    run="r1",
    time=datetime(2027, 1, 2, 3, 4, 5, tzinfo=UTC),
    serial="M40-0007",
    model="M40",
    sequence="Acceptance",
    sequence_hash="a",
    bench="Demonstration bench (simulated)",
    bench_hash="b",
    simulated=True,
    outcome="not ended",
)
BUDGET = StoredBudget(
    quantity="sensitivity",
    unit="dBm",
    value=-120.0,
    coverage=0.9545,
    contributions=(
        StoredPart(
            source="generator, level",
            value=0.0,
            unit="dB",
            stated=0.78,
            distribution="rectangular",
            divisor=3**0.5,
            standard_uncertainty=0.45,
            coefficient=1.0,
            contribution=0.45,
            contribution_unit="dB",
            degrees_of_freedom=None,
            common="bench",
            keys=("instruments.signal_generator.accuracy.level",),
        ),
    ),
    standard=0.45,
    effective_dof=None,
    coverage_factor=2.0,
    expanded=0.9,
    unstated=(),
    unstated_connections=(),
)
SETTINGS = Settings.of(
    {"tone_hz": 1000.0, "target": {"ratio_db": 12.0, "kind": "SINAD"}, "channels": [1, 20]}
)
"""Figures of nobody's: they are stored and read, and nothing is worked out of them."""


def a_result(**changes: Any) -> Result:
    """Return a result of the run, changed by name."""
    facts: dict[str, Any] = {name: getattr(RUN, name, "x") for name in COLUMNS}
    facts |= {"time": datetime(2027, 1, 2, tzinfo=UTC), "decision": Decision.PASS, "simulated": True}
    facts |= {
        "channel": 20,
        "frequency_hz": 27.205e6,
        "value": -120.0,
        "uncertainty": 0.9,
        "stage": "",
        "bound": "",
    }
    facts |= {"lower_limit": None, "upper_limit": -113.0}
    facts |= dict.fromkeys(("target", "slope", "axis_value", "nominal", "supply_v"))
    facts |= dict.fromkeys(("temperature_c", "air_c", "sensor_c", "soaked_s"))
    return Result(**(facts | changes))


def an_exchange(content: bytes = b"*IDN?\n", fault: str = "") -> Exchange:
    """Return a message that was sent."""
    return Exchange(time_s=1.5, instrument="radio", direction=Direction.SENT, content=content, fault=fault)
