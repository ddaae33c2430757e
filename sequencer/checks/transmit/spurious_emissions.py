"""Spurious emissions at the antenna connector: everything beside the channel, by a mask of ranges with their reference bandwidths.

Each range is swept with its reference bandwidth and a peak detector; what stands out is looked at again by itself, as `harmonics` does.
Conducted into 50 ohm: what is radiated past the connector is not measured. The reference bandwidths of the published standards are 1 kHz
from 9 kHz, 10 kHz from 150 kHz, 100 kHz from 30 MHz and 1 MHz from 1 GHz on (Radio Regulations, appendix 3).
"""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.spectrum import spectral_lines as lines
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.checks.shared.spectrum.line_findings import line_findings
from sequencer.checks.shared.spectrum.mask import LOOKED_AT, Mask, MaskRow, decisive, highest_places, parts_of
from sequencer.checks.shared.spectrum.spectral_lines import Carrier, Line
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.files.fields import FrequencyDifferenceHz, between
from sequencer.inputs.bench_parts.loss_table import frequency_text
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.decision import Limits

Beside = Annotated[FrequencyDifferenceHz, AfterValidator(between(1e3, 100e6, "Hz"))]
NARROW_S = 0.9  # of the highest of each range, looked at until the noise hides no more: measured on the simulated bench


class SpuriousEmissionsSettings(CheckSettings):
    """Settings of `spurious_emissions`."""

    check: Literal["spurious_emissions"]
    """Which check this is."""
    mask: Mask
    """The ranges that are looked at, rising, each beginning where the one before ends."""
    beside_hz: Beside = 250e3
    """How far from the channel's frequency, on either side, nothing is looked at: there the modulation lies."""


class SpuriousEmissions(Check[SpuriousEmissionsSettings]):
    """Key the unit without modulation, sweep each range of the mask, and look at what stands out."""

    name: ClassVar[str] = "spurious_emissions"
    summary: ClassVar[str] = "the highest line of each range of a mask, beside the channel"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"spectrum_analyser", "power_meter"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM", "CW"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    limit_keys = MappingProxyType({"spurious": "mask"})
    settings = SpuriousEmissionsSettings

    @override
    def quantities(self, settings: SpuriousEmissionsSettings) -> tuple[tuple[str, str], ...]:
        return tuple((f"spurious, {row.text}", "W") for row in settings.mask)

    @override
    def limits_of(self, settings: SpuriousEmissionsSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return tuple(Limits(lower=None, upper=row.max_w) for row in settings.mask)

    def needs(self, settings: SpuriousEmissionsSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return lines.NEEDS

    def demands(self, settings: SpuriousEmissionsSettings, conditions: Conditions) -> list[Demand]:
        """Return what the bench cannot do: a filter its analyser has not, a range beyond it or beyond the loss table."""
        found = []
        for row in settings.mask:
            at_hz = conditions.frequency_hz
            if at_hz is not None and not any(parts_of(row, at_hz, settings.beside_hz)):
                what = f"all of {row.text} lies within {frequency_text(settings.beside_hz)} of the channel: none of it would be looked at"
                found.append(
                    Demand(at=("mask",), refused=what, allowed="a wider range, or a smaller 'beside'")
                )
            if refused := looks.filter_refusal(conditions, row.resolution_bandwidth_hz):
                found.append(Demand(at=("mask",), refused=refused[0], allowed=refused[1]))
            if refused := looks.span_refusal(conditions, row.from_hz, row.to_hz):
                found.append(Demand(at=("mask",), refused=refused[0], allowed=refused[1]))
            if at_hz is not None and (refused := _longest_sweep(row, at_hz, settings.beside_hz, conditions)):
                found.append(Demand(at=("mask",), refused=refused[0], allowed=refused[1]))
        return found

    def commands(self, settings: SpuriousEmissionsSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.of(looks.ROLE, *looks.COMMANDS)

    @override
    def waits_of(self, settings: SpuriousEmissionsSettings, conditions: Conditions) -> Mapping[str, float]:
        return {looks.ROLE: 4.0 + 6.0 * len(settings.mask), "power_meter": 2.0}

    def forecast_s(self, settings: SpuriousEmissionsSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: the carrier, each range with its filter, and the highest of each by itself."""
        swept_s = sum(
            looks.sweep_s(conditions, row.to_hz - row.from_hz, row.resolution_bandwidth_hz)
            for row in settings.mask
        )
        return 0.6 + swept_s + NARROW_S * len(settings.mask)

    @override
    def transmit(
        self, side: TransmitSide, settings: SpuriousEmissionsSettings, conditions: Conditions
    ) -> list[Finding]:
        try:
            carrier = lines.find_carrier(side, conditions, settings.mask[0].resolution_bandwidth_hz)
            found = [_of_range(side, row, carrier, settings, conditions) for row in settings.mask]
        except Untrusted as error:
            found = [
                Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=error.why)
                for (quantity, unit), limits in zip(
                    self.quantities(settings), self.limits_of(settings, conditions), strict=True
                )
            ]
        side.rest()
        return found


def _longest_sweep(
    row: MaskRow, carrier_hz: float, beside_hz: float, conditions: Conditions
) -> tuple[str, str] | None:
    """Return why the widest part of a range that is swept at once takes too long with the unit keyed; None where it does not."""
    widest_hz = max((high - low for low, high in parts_of(row, carrier_hz, beside_hz)), default=0.0)
    narrow_hz = lines.SPAN_FILTERS * row.resolution_bandwidth_hz
    return looks.sweep_refusal(conditions, max(widest_hz, narrow_hz), row.resolution_bandwidth_hz)


def _of_range(
    side: TransmitSide,
    row: MaskRow,
    carrier: Carrier,
    settings: SpuriousEmissionsSettings,
    conditions: Conditions,
) -> Finding:
    """Return the highest line of a range; where there is none, what its noise lets be said."""
    limits, quantity = Limits(lower=None, upper=row.max_w), f"spurious, {row.text}"
    trace: list[tuple[float, float]] = []
    places = sorted(
        (
            (*place, part)
            for part in parts_of(row, side.frequency_hz, settings.beside_hz)
            for place in highest_places(
                lambda how: side.read_spectrum(how, beside=True),
                carrier.how,
                part,
                row,
                lambda at_hz: looks.loss_db(side, conditions, at_hz),
                trace,
            )
        ),
        reverse=True,
    )[:LOOKED_AT]
    if not places:
        note = f"all of it lies within {frequency_text(settings.beside_hz)} of the channel"
        return Finding(quantity=quantity, value=None, unit="W", limits=limits, note=note)
    seen: list[Line] = []
    for _, at_hz, part in places:
        seen.append(
            lines.measure_line(
                side, carrier, conditions, at_hz=at_hz, filter_hz=row.resolution_bandwidth_hz, within_hz=part
            )
        )
    highest = decisive(seen, limits)
    conditions.say(f"{row.text}: {highest.level_dbm:.1f} dBm{' at most' if highest.at_most else ''}")
    (found,) = line_findings(
        quantity,
        highest,
        carrier,
        conditions,
        limits=limits,
        note=f"at {highest.frequency_hz / 1e6:.4f} MHz{_left_out(row, side.frequency_hz, settings.beside_hz)}",
    )
    return replace(found, points=looks.trace_points(trace))


def _left_out(row: MaskRow, carrier_hz: float, beside_hz: float) -> str:
    """Return in words what of a range is not looked at; empty where all of it is."""
    if row.to_hz <= carrier_hz - beside_hz or row.from_hz >= carrier_hz + beside_hz:
        return ""
    return f"; {frequency_text(carrier_hz)} ± {frequency_text(beside_hz)} not looked at"
