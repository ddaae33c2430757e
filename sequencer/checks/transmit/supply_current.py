"""Supply current: what the unit draws, receiving and transmitting."""

import statistics
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import ClassVar, Literal

from typing_extensions import override

from drivers.faults import NotSettled
from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import CurrentLimit
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing, settle
from sequencer.checks.shared.transmit.keyed_readings import MORE_READINGS, not_read, numbers, read_settled
from sequencer.inputs.stated import SUPPLY_LEAD
from sequencer.results.model import FaultFacts
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.contributions import scatter
from sequencer.uncertainty.decision import Limits

SETTLED_A = 0.02
LEAST_RISE_A = 0.003  # what the smallest transmitter draws beside its receiver: common practice, no source


class SupplyCurrentSettings(CheckSettings):
    """Settings of `supply_current`."""

    check: Literal["supply_current"]
    """Which check this is."""
    receive: CurrentLimit = CurrentLimit.unstated()
    """Limits while it listens."""
    transmit: CurrentLimit = CurrentLimit.unstated()
    """Limits while it transmits, unmodulated."""


class SupplyCurrent(Check[SupplyCurrentSettings]):
    """Read the supply's current with PTT released, then pressed."""

    name: ClassVar[str] = "supply_current"
    summary: ClassVar[str] = "current drawn, receiving and transmitting"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"supply"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    waits: ClassVar[Mapping[str, float]] = {"supply": 6.0}
    limit_keys = MappingProxyType(
        {"supply current, receive": "receive", "supply current, transmit": "transmit"}
    )
    settings = SupplyCurrentSettings

    @override
    def quantities(self, settings: SupplyCurrentSettings) -> tuple[tuple[str, str], ...]:
        return (("supply current, receive", "A"), ("supply current, transmit", "A"))

    @override
    def limits_of(self, settings: SupplyCurrentSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (settings.receive.limits, settings.transmit.limits)

    def needs(self, settings: SupplyCurrentSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return (
            ("supply.current",)
            if conditions.supply_v is None
            else ("supply.current", "supply.voltage", SUPPLY_LEAD)
        )

    def commands(self, settings: SupplyCurrentSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.of("supply", "measured_current")

    @override
    def forecast_s(self, settings: SupplyCurrentSettings, conditions: Conditions) -> float:
        return 0.2

    @override
    def may_leave_key(self, settings: SupplyCurrentSettings) -> bool:
        return True  # it reads with PTT released first, and so begins a key-down

    @override
    def transmit(
        self, side: TransmitSide, settings: SupplyCurrentSettings, conditions: Conditions
    ) -> list[Finding]:
        idle = settle(side.read_idle_current_a, side.pause_s, within=SETTLED_A)
        if not idle[-1].by_hand:
            idle += [side.read_idle_current_a() for _ in range(MORE_READINGS)]
        idle = agreeing(idle, side.read_idle_current_a, within=SETTLED_A)
        receive = _finding("supply current, receive", idle, settings.receive.limits, conditions)
        try:
            keyed = read_settled(side, side.read_supply_current_a, within=SETTLED_A)
        except NotSettled as fault:
            side.rest()
            lost = Finding(
                quantity="supply current, transmit",
                value=None,
                unit="A",
                limits=settings.transmit.limits,
                note=str(fault),
                fault=FaultFacts.of(fault),
            )
            return [receive, lost]
        side.rest()
        return [
            receive,
            _why_no_rise(idle, keyed, settings.transmit.limits)
            or _finding("supply current, transmit", keyed, settings.transmit.limits, conditions),
        ]


def _why_no_rise(idle: Sequence[Reading], keyed: Sequence[Reading], limits: Limits) -> Finding | None:
    """Return the finding of a current that does not rise with PTT: that of a unit that transmits would."""
    released, pressed = numbers(idle), numbers(keyed)
    if released is None or pressed is None:
        return None
    rise_a = statistics.fmean(pressed) - statistics.fmean(released)
    if rise_a >= LEAST_RISE_A:
        return None
    note = f"supply: {rise_a * 1e3:+.1f} mA with PTT pressed: check whether the unit transmits, and is fed by this supply"
    return Finding(quantity="supply current, transmit", value=None, unit="A", limits=limits, note=note)


def _finding(quantity: str, readings: Sequence[Reading], limits: Limits, conditions: Conditions) -> Finding:
    found = numbers(readings)
    if found is None:
        return not_read(quantity, "A", limits, "supply", readings)
    current_a = statistics.fmean(found)
    parts = Parts(conditions.bench)
    errors = [("supply, current accuracy", "current")]
    # The current at the stated voltage is asked for. It is taken to go with the voltage, as a resistor's: on the safe side for a stage
    # that is regulated, and no slope was measured.
    errors += [("supply, voltage", "voltage")] if conditions.supply_v is not None else []
    for source, key in errors:
        half_width = HalfWidth.of(conditions.bench, "supply", key)
        parts.accuracy(source, None if half_width is None else half_width.of_reading(current_a), unit="A")
    if conditions.supply_v is not None:
        parts.connection(SUPPLY_LEAD, coefficient=current_a / 100.0)
    step = step_seen(readings)
    parts.add(scatter("repeatability", found, step=step, unit="A"))
    budget = parts.budget(quantity, "A", current_a)
    return Finding(quantity=quantity, value=current_a, unit="A", limits=limits, budget=budget)
