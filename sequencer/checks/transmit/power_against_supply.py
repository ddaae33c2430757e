"""Power against supply: carrier power at nominal supply and at its extremes."""

import math
import statistics
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal, NamedTuple

from pydantic import AfterValidator
from typing_extensions import override

from drivers.faults import NotConfirmed, SettingLost
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import APART, CheckSettings
from sequencer.checks.shared.asked.limits import PowerLimit
from sequencer.checks.shared.budgets.pooled_scatter import pooled
from sequencer.checks.shared.transmit.keyed_readings import (
    POWER_SCATTER,
    SETTLED_DB,
    SUPPLY_EXPONENT,
    numbers,
    power_finding,
    power_needs,
    read_settled,
)
from sequencer.files.fields import VoltageV, between
from sequencer.results.at_point import AtPoint
from sequencer.results.model import FaultFacts
from sequencer.safety.control.supply import SupplyFacts
from sequencer.safety.transmit import TransmitSide

SETTLE_S = 0.3  # from a new voltage to a unit that has followed: common practice, no source

APART_FROM = 1.03
"""Ratio of two voltages from which the slope of power between them is believed: 0.26 dB for a square law, scatter is 0.02 dB."""


class PowerAgainstSupplySettings(CheckSettings):
    """Settings of `power_against_supply`."""

    check: Literal["power_against_supply"]
    """Which check this is."""
    supplies_v: Annotated[tuple[Annotated[VoltageV, AfterValidator(between(0.5, 60.0, "V"))], ...], *APART]
    """The voltages, in order; the sequence's own supply is set again afterwards."""
    limit: PowerLimit = PowerLimit.unstated()
    """Lowest and highest power that is right at each of them."""


class PowerAgainstSupply(Check[PowerAgainstSupplySettings]):
    """Set each voltage with the transmitter off, then press PTT and read the carrier power."""

    name: ClassVar[str] = "power_against_supply"
    summary: ClassVar[str] = "carrier power at nominal supply and its extremes"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"power_meter", "supply"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM", "CW"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    fixes: ClassVar[frozenset[str]] = frozenset({"supply"})
    settings = PowerAgainstSupplySettings

    @override
    def quantities(self, settings: PowerAgainstSupplySettings) -> tuple[tuple[str, str], ...]:
        return tuple((_quantity(supply_v), "W") for supply_v in settings.supplies_v)

    def needs(self, settings: PowerAgainstSupplySettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return tuple(dict.fromkeys((*power_needs(conditions), "supply.voltage")))

    def demands(self, settings: PowerAgainstSupplySettings, conditions: Conditions) -> list[Demand]:
        """Return the highest power it lets pass as right."""
        most_w = settings.limit.max_w
        return [] if most_w is None else [Demand(at=("limit", "max"), power_w=most_w)]

    @override
    def supplies(
        self, settings: PowerAgainstSupplySettings
    ) -> tuple[tuple[tuple[str | int, ...], float], ...]:
        return tuple((("supplies", at), supply_v) for at, supply_v in enumerate(settings.supplies_v))

    def last_keyed_s(self, settings: PowerAgainstSupplySettings, conditions: Conditions) -> float:
        """Return how long the last of its key-downs lasts, s: the last voltage alone."""
        return 0.65

    @override
    def waits_of(self, settings: PowerAgainstSupplySettings, conditions: Conditions) -> Mapping[str, float]:
        count = len(settings.supplies_v)
        return {"power_meter": 2.0 * count, "supply": 4.0 * count}

    @override
    def forecast_s(self, settings: PowerAgainstSupplySettings, conditions: Conditions) -> float:
        return 0.65 * len(settings.supplies_v)

    def transmit(
        self, side: TransmitSide, settings: PowerAgainstSupplySettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure; the side feeds the unit as the sequence says again when it is left."""
        tried = [_at(supply_v, side, conditions) for supply_v in settings.supplies_v]
        read = [one for one in tried if isinstance(one, _AtSupply)]
        found = iter(pooled([_finding(one, read, settings, conditions) for one in read], POWER_SCATTER))
        return [next(found) if isinstance(one, _AtSupply) else _lost(one, settings) for one in tried]


class _AtSupply(NamedTuple):
    supply_v: float
    readings: tuple[Reading, ...]
    facts: SupplyFacts | None


class _NotFed(NamedTuple):
    supply_v: float
    fault: NotConfirmed


def _at(supply_v: float, side: TransmitSide, conditions: Conditions) -> "_AtSupply | _NotFed":
    """Return the power at ``supply_v``. A voltage that the supply does not give spoils no other."""
    try:
        side.set_supply(supply_v)
        side.pause_s(SETTLE_S)
        readings = read_settled(side, side.read_power_dbm, within=SETTLED_DB)
    except NotConfirmed as fault:
        supply = conditions.bench.with_role("supply")
        if isinstance(fault, SettingLost) or supply is None or fault.instrument != supply[0]:
            raise  # PTT, or an instrument that has restarted: the bench's own affair
        side.rest()
        if conditions.supply_v is not None:  # and does not leave the unit with it
            side.set_supply(conditions.supply_v)
        return _NotFed(supply_v, fault)
    return _AtSupply(supply_v, tuple(readings), side.supply_facts())


def _lost(one: _NotFed, settings: PowerAgainstSupplySettings) -> Finding:
    return Finding(
        quantity=_quantity(one.supply_v),
        value=None,
        unit="W",
        limits=settings.limit.limits,
        note=str(one.fault),
        axis="supply",
        axis_value=one.supply_v,
        axis_unit="V",
        fault=FaultFacts.of(one.fault),
    )


def _finding(
    one: _AtSupply,
    read: list[_AtSupply],
    settings: PowerAgainstSupplySettings,
    conditions: Conditions,
) -> Finding:
    found = power_finding(
        _quantity(one.supply_v),
        one.readings,
        settings.limit.limits,
        replace(conditions, supply_v=one.supply_v),
        supply_exponent=_exponent_at(one.supply_v, read),
    )
    return replace(found, axis="supply", axis_value=one.supply_v, axis_unit="V", supply=one.facts)


def _exponent_at(supply_v: float, read: list[_AtSupply]) -> float:
    """Return how power follows the supply there, percent for a percent: as measured to the voltages beside it, the steeper side.

    Those nearer than `APART_FROM` are passed over: there the scatter of two powers is as large as what the supply makes of them.
    `SUPPLY_EXPONENT` where no other voltage was measured.
    """
    levels = {one.supply_v: numbers(one.readings) for one in read}
    mean_dbm = {volts: statistics.fmean(found) for volts, found in levels.items() if found is not None}
    if supply_v not in mean_dbm or len(mean_dbm) < 2:
        return SUPPLY_EXPONENT
    far = [one for one in sorted(mean_dbm) if abs(math.log(one / supply_v)) >= math.log(APART_FROM)]
    below = [one for one in far if one < supply_v][-1:]
    above = [one for one in far if one > supply_v][:1]
    slopes = [
        (mean_dbm[near] - mean_dbm[supply_v]) / (10.0 * math.log10(near / supply_v))
        for near in (*below, *above)
    ]
    return max(map(abs, slopes), default=SUPPLY_EXPONENT)


def _quantity(supply_v: float) -> str:
    return f"carrier power{AtPoint(supply_v=supply_v).suffix}"
