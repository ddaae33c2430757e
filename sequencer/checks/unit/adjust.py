"""Adjust: bring a preset to its target, turned by a person or written, as found and as left measured by the ordinary check.

Key time, duty and ratings hold as everywhere: PTT is released, the rest counted down and PTT pressed again. Who presses no key for a
while has walked away: PTT is released, and what was left is measured.
"""

from types import MappingProxyType
from typing import ClassVar

from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.adjusting.pace import ReceivePace, TransmitPace
from sequencer.checks.adjusting.presets import Adjusted
from sequencer.checks.adjusting.procedure import Adjusting
from sequencer.checks.adjusting.readers import LiveReader, receive_reader, transmit_reader
from sequencer.checks.adjusting.settings import AdjustSettings, adjusted, misfits
from sequencer.checks.adjusting.turning import Pace
from sequencer.checks.check import Check, Side, SquelchPosition
from sequencer.checks.finding import Conditions, Demand, Finding, MeterMark
from sequencer.checks.settings import AXES
from sequencer.checks.shared import commands
from sequencer.problems import listed
from sequencer.safety.receive import ReceiveSide
from sequencer.safety.transmit import TransmitSide

TURNING_S = 20.0  # about how long a person turns one preset: common practice, no source


class Adjust(Check[AdjustSettings]):
    """Measure as found by the ordinary check, have the preset turned or write it, and measure as left."""

    name: ClassVar[str] = "adjust"
    summary: ClassVar[str] = (
        "bring a preset to its target, turned by a person or written; as found and as left"
    )
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"radio"})
    fixes: ClassVar[frozenset[str]] = frozenset(AXES)
    settings = AdjustSettings
    limit_keys = MappingProxyType({"": "to"})

    @override
    def quantities(self, settings: AdjustSettings) -> tuple[tuple[str, str], ...]:
        return tuple(pair for one in adjusted(settings) for pair in one.check.quantities(one.settings))

    def side_of(self, settings: AdjustSettings) -> Side:
        """Return the side of the check that reads it."""
        return next((one.check.side_of(one.settings) for one in adjusted(settings)), self.side)

    def squelch_of(self, settings: AdjustSettings) -> SquelchPosition:
        """Return where the squelch must stand for the checks that read it."""
        return next((one.check.squelch_of(one.settings) for one in adjusted(settings)), self.squelch)

    def roles_of(self, settings: AdjustSettings) -> frozenset[str]:
        """Return the roles of the checks that read it."""
        return frozenset().union(*(one.check.roles_of(one.settings) for one in adjusted(settings)))

    def demands(self, settings: AdjustSettings, conditions: Conditions) -> list[Demand]:
        """Return what the ordinary checks demand, and the power that it is turned to."""
        found = [Demand(refused=why, allowed=allowed) for why, allowed in misfits(settings)]
        for one in adjusted(settings):
            found += one.check.demands(one.settings, conditions)
            if conditions.mode not in one.check.modes:
                refused = f"{one.preset.of} is not made in {conditions.mode}"
                found.append(Demand(refused=refused, allowed=f"mode: {listed(sorted(one.check.modes))}"))
            if one.preset.of == "carrier_power" and one.band.upper is not None:
                found.append(Demand(at=("to",) if settings.of else (), power_w=one.band.upper))
            if one.preset.of in ("s9_point", "squelch") and one.preset.target is not None:
                found.append(Demand(at=("to",) if settings.of else (), level_dbm=one.preset.target))
        return found

    def needs(self, settings: AdjustSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what the ordinary checks' budgets ask of the bench file."""
        return tuple(
            dict.fromkeys(
                need for one in adjusted(settings) for need in one.check.needs(one.settings, conditions)
            )
        )

    def commands(self, settings: AdjustSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands the ordinary checks cannot do without."""
        found = [one.check.commands(one.settings, conditions) for one in adjusted(settings)]
        if any(one.preset.write is not None for one in adjusted(settings)):
            found.append(commands.of("radio", "preset_name", "preset"))
        return frozenset().union(*found)

    def forecast_s(self, settings: AdjustSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: both measurements, and the turning, which is a guess."""
        return sum(
            2.0 * one.check.forecast_s(one.settings, conditions) + TURNING_S for one in adjusted(settings)
        )

    def meter_marks(self, settings: AdjustSettings) -> tuple[MeterMark, ...]:
        """Return the voltages that the ordinary checks take for marks of the signal meter."""
        return tuple(mark for one in adjusted(settings) for mark in one.check.meter_marks(one.settings))

    @override
    def transmit(self, side: TransmitSide, settings: AdjustSettings, conditions: Conditions) -> list[Finding]:
        def read(one: Adjusted, figure: Finding) -> tuple[LiveReader, Pace]:
            reader = transmit_reader(side, one.preset, one.settings, conditions)
            return reader, TransmitPace(side=side, reader=reader)

        def measure(one: Adjusted) -> list[Finding]:
            side.rest()
            return one.check.transmit(side, one.settings, conditions)

        return Adjusting(settings, conditions, measure, read, side.rest).findings()

    @override
    def receive(self, side: ReceiveSide, settings: AdjustSettings, conditions: Conditions) -> list[Finding]:
        def read(one: Adjusted, figure: Finding) -> tuple[LiveReader, Pace]:
            return receive_reader(side, one.preset, one.settings, conditions, figure), ReceivePace(side=side)

        def measure(one: Adjusted) -> list[Finding]:
            return one.check.receive(side, one.settings, conditions)

        return Adjusting(settings, conditions, measure, read, lambda: None).findings()
