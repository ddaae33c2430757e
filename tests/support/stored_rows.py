"""Runs and results as the store gives them, for tests of what looks back."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from sequencer.results.budget_rows import as_plain
from sequencer.results.model import Point
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import (
    instrument_accuracy,
    mismatch,
    path_loss,
    repeatability,
    search_interval,
)
from sequencer.uncertainty.decision import SIMPLE, Limits, Rule, decide

NO_FACTS = {
    "target": None,
    "target_unit": "",
    "slope": None,
    "axis": "",
    "axis_value": None,
    "axis_unit": "",
    "nominal": None,
}
HEARD = {"target": 12.0, "target_unit": "dB SINAD", "slope": 1.6}
"""What a sensitivity says of its search."""
TIME = "2026-03-02T10:00:00.000+00:00"


def level_budget(value: float, *, search_db: float = 0.3, generator_db: float = 0.5) -> Budget:
    """Return the budget of a level in dBm: a search's interval of its own, generator, path and mismatch of the bench."""
    return Budget(
        quantity="level",
        unit="dBm",
        value=value,
        contributions=(
            search_interval("search, 95 % interval", search_db, unit="dB"),
            instrument_accuracy("generator, level accuracy", generator_db, unit="dB"),
            path_loss("receive path, loss", 0.1),
            mismatch("mismatch, generator to unit", 0.13, 0.2),
        ),
    )


def power_budget(value: float, spread_w: float) -> Budget:
    """Return the budget of a power, with four readings that scatter by about ``spread_w``."""
    return Budget(
        quantity="power",
        unit="W",
        value=value,
        contributions=(
            repeatability("repeatability", [value - spread_w, value, value, value + spread_w], unit="W"),
            instrument_accuracy("power meter, accuracy", 0.03 * value, unit="W"),
        ),
    )


def confirmation(text: str, *, how: str = "confirmed at the terminal", yes: bool = True) -> dict[str, Any]:
    """Return what was confirmed, as the store gives it."""
    return {"text": text, "confirmed": yes, "how": how, "when": TIME, "who": "", "knob": ""}


def row(value: float | None, **other: Any) -> dict[str, Any]:
    """Return one stored result; ``budget`` (a Budget) and any column may be given."""
    budget: Budget | None = other.pop("budget", None)
    uncertainty = other.pop("uncertainty", budget.expanded if budget is not None else None)
    points: tuple[Point, ...] = other.pop("points", ())
    rule: Rule = other.pop("rule", SIMPLE)
    lower, upper = other.pop("lower_limit", None), other.pop("upper_limit", None)
    statement = decide(value, uncertainty, Limits(lower=lower, upper=upper), rule)
    return {
        "id": other.pop("id", 1),
        "run": "run-1",
        "check_index": 0,
        "time": TIME,
        "serial": "M40-0007",
        "model": "M40",
        "sequence": "acceptance",
        "sequence_hash": "aaaa",
        "bench": "Bench 2",
        "bench_hash": "bbbb",
        "simulated": False,
        "check": "sensitivity",
        "channel": 20,
        "frequency_hz": 27_205_000.0,
        "mode": "FM",
        "quantity": "sensitivity, 12 dB SINAD",
        "value": value,
        "unit": "dBm",
        "uncertainty": uncertainty,
        "lower_limit": lower,
        "upper_limit": upper,
        "decision": statement.decision.value,
        "rule": str(rule),
        "conditions": "supply 13.2 V; squelch open (confirmed at the terminal)",
        "supply_v": 13.2,
        "confirmations": [confirmation("squelch open")],
        "fault": None,
        "note": "",
        **NO_FACTS,
        "points": [asdict(point) for point in points],
        "budget": as_plain(budget) if budget is not None else None,
        **other,
    }


def level_row(value: float, **other: Any) -> dict[str, Any]:
    """Return a stored level with its budget."""
    return row(value, budget=level_budget(value), **other)


def plain_row(value: float, uncertainty: float | None, **other: Any) -> dict[str, Any]:
    """Return a stored result that has an expanded uncertainty (k = 2) and no budget."""
    return row(value, uncertainty=uncertainty, **other)


def run_of(rows: list[dict[str, Any]], **other: Any) -> dict[str, Any]:
    """Return a run with its results, which take over its name, serial and whether it was simulated."""
    run = {
        "run": "run-1",
        "time": TIME,
        "serial": "M40-0007",
        "model": "M40",
        "sequence": "acceptance",
        "sequence_hash": "aaaa",
        "bench": "Bench 2",
        "bench_hash": "bbbb",
        "simulated": False,
        "instruments": {"signal_generator": "Hollinbrook SG-2, serial 2201, firmware 1.4"},
        "outcome": "done",
        "bench_safe": True,
        "bench_s": 61.2,
        **other,
    }
    taken = {name: run[name] for name in ("run", "serial", "simulated")}
    return {**run, "results": [{**one, **taken} for one in rows]}


def sinad_points(crossing: float, slope: float = 1.6) -> tuple[Point, ...]:
    """Return the readings of a search that came from far above."""
    levels = (crossing + 50, crossing + 30, crossing + 4, crossing + 1, crossing - 0.5, crossing + 0.2)
    return tuple(
        Point(
            level_db=level,
            reading=min(34.0, 12 + slope * (level - crossing)),
            state="in range",
            reading_s=0.1,
            at_s=float(at),
        )
        for at, level in enumerate(levels)
    )
