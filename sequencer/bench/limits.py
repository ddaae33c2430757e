"""What a bench file lets an instrument be set to, and how long each role may take to answer."""

from __future__ import annotations

from drivers.roles import Limits
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.bench_parts.instrument_roles import Instrument, SignalGenerator, Supply
from sequencer.safety.control.chamber import ChamberRules


def limits_of(entry: Instrument) -> Limits:
    """Return the levels that an entry allows; no limit where it has none."""
    if isinstance(entry, SignalGenerator):
        return Limits(level_min_dbm=entry.level.min_dbm, level_max_dbm=entry.level.max_dbm)
    return Limits()


def chamber_rules(bench: BenchFile) -> ChamberRules | None:
    """Return what the bench file says of its chamber; None without one."""
    named = bench.with_role("chamber")
    if named is None:
        return None
    entry = named[1]
    return ChamberRules(
        min_c=entry.temperature.min_c,
        max_c=entry.temperature.max_c,
        tolerance_c=entry.tolerance_c,
        soak_s=entry.soak_s,
        given_up_after_s=entry.given_up_after_s,
    )


def max_supply_v(bench: BenchFile) -> float:
    """Return the most the supply may be set to, V; 0 without a supply."""
    supply = bench.with_role("supply")
    return supply[1].max_voltage_v if supply is not None else 0.0


def supply_accuracy_percent(bench: BenchFile) -> float | None:
    """Return what the supply's voltage may be wrong by, percent of it; None where the file does not say."""
    supply = bench.with_role("supply")
    return (
        supply[1].accuracy.voltage_percent if supply is not None and isinstance(supply[1], Supply) else None
    )


def bounds_s(bench: BenchFile) -> dict[str, float]:
    """Return the longest that an answer may take, s, by role, the wait before it included."""
    found: dict[str, float] = {}
    for entry in bench.instruments.values():
        found[entry.role] = max(entry.timeout_s + entry.settling_s, found.get(entry.role, 0.0))
    return found
