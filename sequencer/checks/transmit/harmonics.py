"""Harmonics of the unmodulated carrier at the antenna connector, each against a power and against the carrier.

Conducted into 50 ohm; what is radiated past the connector is not measured. The limits of the published standards stand in files of limits.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import PowerLimit, RatioLimit
from sequencer.checks.shared.spectrum import spectral_lines as lines
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.checks.shared.spectrum.driven_spectrum import Filter
from sequencer.checks.shared.spectrum.line_findings import line_findings
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.files.fields import between
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.decision import Limits

Order = Annotated[int, AfterValidator(between(2, 20, ""))]
NARROW_S = 1.05  # of each harmonic of a sound unit, which noise hides until the filter is narrow: measured on the simulated bench


class HarmonicsSettings(CheckSettings):
    """Settings of `harmonics`."""

    check: Literal["harmonics"]
    """Which check this is."""
    up_to: Order = 5
    """The highest harmonic that is looked at; the loss table of the transmit path must reach it."""
    resolution_bandwidth_hz: Filter = 10e3
    """The analyser's filter; a narrower one is taken where noise hides a harmonic."""
    limit: PowerLimit = PowerLimit.unstated()
    """How much power each harmonic may have: usually a max."""
    ratio: RatioLimit = RatioLimit.unstated()
    """How far each harmonic must lie below the carrier: usually a min."""

    @property
    def orders(self) -> range:
        """The harmonics that are looked at."""
        return range(2, self.up_to + 1)


class Harmonics(Check[HarmonicsSettings]):
    """Key the unit without modulation, and look at each multiple of its frequency."""

    name: ClassVar[str] = "harmonics"
    summary: ClassVar[str] = "harmonics of the carrier, each as a power and below the carrier"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"spectrum_analyser", "power_meter"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM", "CW"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    limit_keys = MappingProxyType({"harmonic": "limit"})
    settings = HarmonicsSettings

    @override
    def limit_key(self, quantity: str) -> str:
        return "ratio" if quantity.endswith("below carrier") else "limit"

    @override
    def quantities(self, settings: HarmonicsSettings) -> tuple[tuple[str, str], ...]:
        both = ((f"harmonic {order}", f"harmonic {order} below carrier") for order in settings.orders)
        return tuple(one for power, ratio in both for one in ((power, "W"), (ratio, "dB")))

    @override
    def limits_of(self, settings: HarmonicsSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (settings.limit.limits, settings.ratio.limits) * len(settings.orders)

    def needs(self, settings: HarmonicsSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return lines.NEEDS

    def demands(self, settings: HarmonicsSettings, conditions: Conditions) -> list[Demand]:
        """Return what the bench cannot do: a filter its analyser has not, a harmonic beyond it or beyond the loss table."""
        if conditions.frequency_hz is None:
            return []
        found = []
        if refused := looks.filter_refusal(conditions, settings.resolution_bandwidth_hz):
            found.append(Demand(at=("resolution_bandwidth",), refused=refused[0], allowed=refused[1]))
        filter_hz = settings.resolution_bandwidth_hz
        if refused := looks.sweep_refusal(conditions, lines.SPAN_FILTERS * filter_hz, filter_hz):
            found.append(Demand(at=("resolution_bandwidth",), refused=refused[0], allowed=refused[1]))
        highest_hz = settings.up_to * conditions.frequency_hz
        if refused := looks.span_refusal(conditions, conditions.frequency_hz, highest_hz):
            found.append(Demand(at=("up_to",), refused=refused[0], allowed=refused[1]))
        return found

    def commands(self, settings: HarmonicsSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        by_hand = looks.entry_of(conditions).manual if conditions.bench.with_role(looks.ROLE) else False
        return frozenset() if by_hand else commands.of(looks.ROLE, *looks.COMMANDS)

    @override
    def waits_of(self, settings: HarmonicsSettings, conditions: Conditions) -> Mapping[str, float]:
        return {looks.ROLE: 2.0 + 4.0 * len(settings.orders), "power_meter": 2.0}

    def forecast_s(self, settings: HarmonicsSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: the carrier, and of each harmonic as many sweeps as it takes to see below the noise."""
        return 0.6 + NARROW_S * len(settings.orders)

    @override
    def transmit(
        self, side: TransmitSide, settings: HarmonicsSettings, conditions: Conditions
    ) -> list[Finding]:
        try:
            carrier = lines.find_carrier(side, conditions, settings.resolution_bandwidth_hz)
            found = []
            for order in settings.orders:
                line = lines.measure_line(
                    side,
                    carrier,
                    conditions,
                    at_hz=order * side.frequency_hz,
                    filter_hz=settings.resolution_bandwidth_hz,
                )
                found += line_findings(
                    f"harmonic {order}",
                    line,
                    carrier,
                    conditions,
                    limits=settings.limit.limits,
                    ratio_limits=settings.ratio.limits,
                )
                conditions.say(
                    f"harmonic {order}: {line.level_dbm:.1f} dBm{' at most' if line.at_most else ''}"
                )
        except Untrusted as error:
            found = [
                Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=error.why)
                for (quantity, unit), limits in zip(
                    self.quantities(settings), self.limits_of(settings, conditions), strict=True
                )
            ]
        side.rest()
        return found
