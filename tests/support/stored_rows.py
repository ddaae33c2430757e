"""Runs and results as the store gives them, for tests of what looks back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from sequencer.results.budget_rows import stored
from sequencer.results.model import BenchInstrument, Confirmation, Point
from sequencer.results.settings import Settings
from sequencer.results.stored import StoredResult, StoredRun
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import (
    instrument_accuracy,
    mismatch,
    path_loss,
    repeatability,
    search_interval,
)
from sequencer.uncertainty.decision import SIMPLE, Limits, Rule, decide

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


def confirmation(text: str, *, how: str = "confirmed at the terminal", yes: bool = True) -> Confirmation:
    """Return what was confirmed."""
    return Confirmation(text=text, confirmed=yes, how=how, when=datetime.fromisoformat(TIME))


def row(value: float | None, **other: Any) -> StoredResult:
    """Return one stored result; ``budget`` (a Budget), ``settings`` (by name), ``time`` (ISO 8601) and any field may be given."""
    settings: dict[str, Any] | None = other.pop("settings", None)
    budget: Budget | None = other.pop("budget", None)
    uncertainty = other.pop("uncertainty", budget.expanded if budget is not None else None)
    rule: Rule = other.pop("rule", SIMPLE)
    lower, upper = other.pop("lower_limit", None), other.pop("upper_limit", None)
    facts: dict[str, Any] = {
        "id": 1,
        "run": "run-1",
        "check_index": 0,
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
        "unit": "dBm",
        "conditions": "supply 13.2 V; squelch open (confirmed at the terminal)",
        "supply_v": 13.2,
        "confirmations": (confirmation("squelch open"),),
        "time": TIME,
        **other,
    }
    return StoredResult(
        **{**facts, "time": datetime.fromisoformat(facts["time"])},
        value=value,
        uncertainty=uncertainty,
        lower_limit=lower,
        upper_limit=upper,
        decision=decide(value, uncertainty, Limits(lower=lower, upper=upper), rule).decision,
        rule=str(rule),
        budget=stored(budget) if budget is not None else None,
        settings=None if settings is None else Settings.of(settings),
    )


def level_row(value: float, **other: Any) -> StoredResult:
    """Return a stored level with its budget."""
    return row(value, budget=level_budget(value), **other)


def plain_row(value: float, uncertainty: float | None, **other: Any) -> StoredResult:
    """Return a stored result that has an expanded uncertainty (k = 2) and no budget."""
    return row(value, uncertainty=uncertainty, **other)


def instrument(name: str = "signal_generator", **other: str) -> BenchInstrument:
    """Return an instrument that stood on a bench."""
    who = {"maker": "Hollinbrook", "model": "SG-2", "serial": "2201", "firmware": "1.4", "role": name}
    return BenchInstrument(name=name, **{**who, **other})


def run_of(rows: Sequence[StoredResult], **other: Any) -> StoredRun:
    """Return a run with its results, which take over its name, serial and whether it was simulated."""
    facts: dict[str, Any] = {
        "run": "run-1",
        "serial": "M40-0007",
        "model": "M40",
        "sequence": "acceptance",
        "sequence_hash": "aaaa",
        "bench": "Bench 2",
        "bench_hash": "bbbb",
        "simulated": False,
        "instruments": (instrument(),),
        "outcome": "done",
        "bench_safe": True,
        "bench_s": 61.2,
        "time": TIME,
        **other,
    }
    taken = {name: facts[name] for name in ("run", "serial", "simulated")}
    results = tuple(replace(one, **taken) for one in rows)
    counting = Counter(one.decision.value for one in results if one.counts)
    return StoredRun(
        **{**facts, "time": datetime.fromisoformat(facts["time"])},
        results=results,
        decisions=dict(counting),
        replaced=sum(not one.counts for one in results),
    )


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
