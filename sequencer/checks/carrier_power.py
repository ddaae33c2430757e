"""Carrier power: what the unit gives into 50 ohm, unmodulated, at its antenna connector."""

from __future__ import annotations

import statistics
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator

from sequencer.checks.base import Check, CheckSettings, Conditions, Demand, Finding, PowerLimit, Side, settle
from sequencer.contributions import (
    DB_PER_RELATIVE_POWER,
    instrument_accuracy,
    mismatch_of_vswr,
    path_loss,
    repeatability,
)
from sequencer.decision import Limits
from sequencer.file_types import TimeS, between
from sequencer.quantities import w_from_dbm
from sequencer.safety import TransmitSide
from sequencer.uncertainty import Budget, Contribution

SETTLED_DB = 0.02  # two readings that agree to this are settled: common practice, no source


class CarrierPowerSettings(CheckSettings):
    """Settings of `carrier_power`."""

    check: Literal["carrier_power"]
    """Which check this is."""
    limit: PowerLimit = PowerLimit()
    """Lowest and highest power that is right."""
    keyed_for_s: Annotated[TimeS, AfterValidator(between(0.0, 600.0, "s"))] = 0.0
    """How long the unit is keyed, in all, before the readings; rests that the duty owes come on top. 0 reads at once."""
    readings: Annotated[int, AfterValidator(between(2, 50, ""))] = 4
    """How many readings are averaged once the power stands."""


class CarrierPower(Check[CarrierPowerSettings]):
    """Key the unit without modulation, wait until the power stands, average."""

    name: ClassVar[str] = "carrier_power"
    summary: ClassVar[str] = "carrier power into 50 ohm"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"power_meter"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    settings = CarrierPowerSettings

    def quantities(self, settings: CarrierPowerSettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        return ((_quantity(settings), "W"),)

    def demands(self, settings: CarrierPowerSettings, conditions: Conditions) -> list[Demand]:
        """Return the highest power it expects of the unit: the path must bear it."""
        asked = (("max", settings.limit.max_w), ("min", settings.limit.min_w))
        return [
            Demand(at=("limit", name), power_w=power_w) for name, power_w in asked if power_w is not None
        ][:1]

    def forecast_s(self, settings: CarrierPowerSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: two or three readings until it stands, and those that are averaged."""
        return settings.keyed_for_s + 0.15 + 0.04 * settings.readings

    def transmit(
        self, side: TransmitSide, settings: CarrierPowerSettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure."""
        limits: Limits = settings.limit.limits
        side.wait_s(settings.keyed_for_s)
        readings = settle(side.read_power_dbm, side.wait_s, within=SETTLED_DB)
        readings += [side.read_power_dbm() for _ in range(settings.readings - 2)]
        side.rest()
        bad = next((reading for reading in readings if reading.number is None), None)
        if bad is not None:
            return [
                Finding(
                    quantity=_quantity(settings),
                    value=None,
                    unit="W",
                    limits=limits,
                    note=f"power meter: {bad.state.value}",
                )
            ]
        levels_dbm = [reading.number for reading in readings if reading.number is not None]
        power_w = w_from_dbm(statistics.fmean(levels_dbm))
        return [
            Finding(
                quantity=_quantity(settings),
                value=power_w,
                unit="W",
                limits=limits,
                budget=_budget(power_w, levels_dbm, conditions),
            )
        ]


def _quantity(settings: CarrierPowerSettings) -> str:
    return f"carrier power after {settings.keyed_for_s:g} s" if settings.keyed_for_s else "carrier power"


def _budget(power_w: float, levels_dbm: list[float], conditions: Conditions) -> Budget:
    per_db = power_w / DB_PER_RELATIVE_POWER
    entry = conditions.bench.with_role("power_meter")
    path = conditions.bench.paths.transmit
    parts: list[Contribution] = [
        repeatability("repeatability of the power reading", levels_dbm, unit="dB", coefficient=per_db)
    ]
    if entry is not None:
        _, meter = entry
        half_width_w = power_w * meter.accuracy.power_percent / 100.0
        parts.append(instrument_accuracy("power meter, accuracy", half_width_w, unit="W"))
        if path is not None:
            parts.append(
                mismatch_of_vswr("mismatch, unit to path", path.unit_vswr, meter.vswr, coefficient=per_db)
            )
    if path is not None:
        parts.append(path_loss("transmit path, loss", path.uncertainty_db, coefficient=per_db))
    return Budget(quantity="carrier power", unit="W", value=power_w, contributions=tuple(parts))
