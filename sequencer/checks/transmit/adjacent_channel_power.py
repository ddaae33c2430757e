"""Adjacent channel power: what a driven transmitter radiates in the channels beside its own.

Method as in the published standards for such equipment (27 MHz, land mobile; figures from memory): a tone far above the level for normal
modulation, so that the limiter works; the power that falls into a band of stated width, one channel away on either side. Here the band is
brick-walled, summed from a narrow filter; a power-measuring receiver's own filter has skirts, which let in up to half a decibel more.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, model_validator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.shared.asked.limits import PowerLimit, RatioLimit
from sequencer.checks.shared.budgets.parts import MOST_RELATIVE, HalfWidth, Parts
from sequencer.checks.shared.spectrum import driven_spectrum
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.checks.shared.spectrum.driven_spectrum import DrivenSettings, Look, Seen
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.checks.shared.transmit.drive_response import falls_by_db, hold_to_drive
from sequencer.checks.shared.transmit.keyed_readings import power_budget, power_needs
from sequencer.files.fields import FrequencyDifferenceHz, between
from sequencer.inputs.stated import AUDIO_LEAD
from sequencer.problems import FieldProblem
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_VOLTAGE, repeatability
from sequencer.uncertainty.decision import Bound, Limits
from sequencer.units.format import format_quantity

if TYPE_CHECKING:
    from sequencer.dsp.spectrum import PowerSpectrum

SIDES = ("lower", "upper")
AGREE_DB = 0.5  # what sweeps of a steady band agree to: common practice, no source
HALF_OWN = 0.5  # of the reading: then the instrument's own noise is what is read
LEAST_SHARE = 1e-15
OWN_SHARE = 0.6  # of what the own noise makes of a reading: half to either side of the middle, and a little for what is stated of it
Spacing = Annotated[FrequencyDifferenceHz, AfterValidator(between(1e3, 1e6, "Hz"))]


class AdjacentChannelPowerSettings(DrivenSettings):
    """Settings of `adjacent_channel_power`."""

    check: Literal["adjacent_channel_power"]
    """Which check this is."""
    spacing_hz: Spacing = 10e3
    """How far the middle of either band lies from the channel's frequency."""
    bandwidth_hz: Spacing = 8.5e3
    """Width of either band."""
    limit: PowerLimit = PowerLimit.unstated()
    """How much power either band may hold: usually a max."""
    ratio: RatioLimit = RatioLimit.unstated()
    """How far the power in either band must lie below the transmitter's: usually a min."""

    @model_validator(mode="after")
    def _lies_beside(self) -> AdjacentChannelPowerSettings:
        if self.bandwidth_hz >= 2.0 * self.spacing_hz:
            raise FieldProblem(
                f"a band of {self.bandwidth_hz:g} Hz, {self.spacing_hz:g} Hz away, holds the carrier",
                at=("bandwidth",),
                allowed=f"less than {2.0 * self.spacing_hz:g} Hz",
            )
        return self

    @property
    def reach_hz(self) -> float:
        """The outermost offset that is looked at."""
        return self.spacing_hz + self.bandwidth_hz / 2.0

    def band_hz(self, side: str) -> tuple[float, float]:
        """Return where a band lies, Hz from the channel."""
        middle_hz = self.spacing_hz if side == "upper" else -self.spacing_hz
        return middle_hz - self.bandwidth_hz / 2.0, middle_hz + self.bandwidth_hz / 2.0


class AdjacentChannelPower(Check[AdjacentChannelPowerSettings]):
    """Drive the unit into its limiter, see its spectrum, and sum the power in the channels beside its own."""

    name: ClassVar[str] = "adjacent_channel_power"
    summary: ClassVar[str] = "power in the channels on either side, driven into the limiter"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"spectrum_analyser", "power_meter", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM", "USB", "LSB"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    limit_keys = MappingProxyType(
        {"adjacent channel power ratio": "ratio", "adjacent channel power": "limit"}
    )
    settings = AdjacentChannelPowerSettings

    @override
    def quantities(self, settings: AdjacentChannelPowerSettings) -> tuple[tuple[str, str], ...]:
        powers = tuple((f"adjacent channel power, {side}", "W") for side in SIDES)
        return powers + tuple((f"adjacent channel power ratio, {side}", "dB") for side in SIDES)

    @override
    def limits_of(self, settings: AdjacentChannelPowerSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (settings.limit.limits,) * 2 + (settings.ratio.limits,) * 2

    @override
    def roles_of(self, settings: AdjacentChannelPowerSettings) -> frozenset[str]:
        return driven_spectrum.roles_of(settings)

    def needs(self, settings: AdjacentChannelPowerSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        own = "spectrum_analyser.scale" if settings.read == "spectrum" else "modulation_analyser.linearity"
        return (*power_needs(conditions), own, "audio_analyser.voltage", AUDIO_LEAD)

    def demands(self, settings: AdjacentChannelPowerSettings, conditions: Conditions) -> list[Demand]:
        """Return what its analyser cannot do: a filter it has not, a span beyond it or beyond the path's loss table."""
        return driven_spectrum.demands(settings, conditions, settings.reach_hz, at="spacing")

    def commands(self, settings: AdjacentChannelPowerSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return driven_spectrum.commands_of(settings, conditions.mode)

    @override
    def waits_of(self, settings: AdjacentChannelPowerSettings, conditions: Conditions) -> Mapping[str, float]:
        return driven_spectrum.waits_of(settings)

    def forecast_s(self, settings: AdjacentChannelPowerSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: seven sweeps, or five recordings."""
        return driven_spectrum.forecast_s(settings, conditions, settings.reach_hz)

    @override
    def transmit(
        self, side: TransmitSide, settings: AdjacentChannelPowerSettings, conditions: Conditions
    ) -> list[Finding]:
        look = Look(side, settings, conditions, reach_hz=settings.reach_hz)
        level_v = settings.level_v(conditions.mode)
        try:
            seen = look.see(lambda one: [_ratio_db(one, settings, which) for which in SIDES], within=AGREE_DB)
        except Untrusted as error:
            side.rest()
            return [
                Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=error.why)
                for (quantity, unit), limits in zip(
                    self.quantities(settings), self.limits_of(settings, conditions), strict=True
                )
            ]
        found = [_finding(which, unit, seen, settings, conditions) for unit in ("W", "dB") for which in SIDES]
        is_ssb = conditions.mode in driven_spectrum.SIDEBANDS
        held = hold_to_drive(
            side,
            found,
            look.modulation,
            before=driven_spectrum.modulation_db(seen.spectra[-1], settings.tone_hz, is_ssb=is_ssb),
            tone_hz=settings.tone_hz,
            level_v=level_v,
            conditions=conditions,
            follows=falls_by_db,
            apply=look.drive,
        )
        side.rest()
        if is_ssb:
            side.remove_second_tone()
        return held


def _ratio_db(
    seen: PowerSpectrum, settings: AdjacentChannelPowerSettings, which: str, shift_hz: float = 0.0
) -> float:
    """Return how far the power of one band lies below the whole, dB; ``shift_hz`` moves the band outwards."""
    low_hz, high_hz = settings.band_hz(which)
    shift_hz = shift_hz if which == "upper" else -shift_hz
    share = seen.band_w(low_hz + shift_hz, high_hz + shift_hz) / seen.total_w
    return -10.0 * math.log10(max(share, LEAST_SHARE))


def _finding(
    which: str, unit: str, seen: Seen, settings: AdjacentChannelPowerSettings, conditions: Conditions
) -> Finding:
    ratios_db = seen.figures(lambda one: _ratio_db(one, settings, which))
    slope = abs(seen.per_db(lambda one: _ratio_db(one, settings, which)))
    own = _own_share(which, seen, settings, conditions)
    share = 10.0 ** (-statistics.fmean(ratios_db) / 10.0)
    own_db = 0.0 if own is None else -10.0 * math.log10(max(1.0 - own / share, HALF_OWN))
    is_bound = own is not None and own >= HALF_OWN * share
    if not is_bound:  # between no noise of its own and all that is stated of it: the middle is taken
        ratios_db = [one + own_db / 2.0 for one in ratios_db]
    ratio_db = statistics.fmean(ratios_db)
    note = _note(seen, settings, conditions, own)
    if is_bound:
        note += "; the instrument's own noise is half of it or more"
    bound: Bound = "" if not is_bound else "at most" if unit == "W" else "at least"
    parts = _ratio_parts(which, ratios_db, slope, own_db, seen, settings, conditions)
    low_hz, high_hz = settings.band_hz(which)
    where: dict[str, Any] = {"axis": "offset", "axis_value": (low_hz + high_hz) / 2.0, "axis_unit": "Hz"}
    if unit == "dB":
        budget = _to_either_side(parts.budget(f"adjacent channel power ratio, {which}", "dB", ratio_db))
        if is_bound and not settings.ratio.limits.contains(ratio_db):
            why = f"{bound} {ratio_db:.1f} dB: {note}"
            return replace(_nothing_known(budget.quantity, "dB", settings.ratio.limits, why), **where)
        return Finding(
            quantity=budget.quantity, value=ratio_db, unit="dB", limits=settings.ratio.limits, budget=budget,
            note=note, bound=bound, **where,
        )  # fmt: skip
    carrier_dbm = statistics.fmean(seen.meter_dbm)
    power_w = 1e-3 * 10.0 ** ((carrier_dbm - ratio_db) / 10.0)
    quantity = f"adjacent channel power, {which}"
    of_ratio = parts.budget(quantity, "dB", ratio_db)
    if is_bound and not settings.limit.limits.contains(power_w):
        why = f"{bound} {format_quantity(power_w, 'W')}: {note}"
        return replace(_nothing_known(quantity, "W", settings.limit.limits, why), **where)
    budget = _absolute(quantity, power_w, seen, of_ratio, conditions)
    return Finding(
        quantity=quantity, value=power_w, unit="W", limits=settings.limit.limits, budget=budget,
        note=note, bound=bound, points=looks.trace_points(seen.levels) if which == SIDES[0] else (), **where,
    )  # fmt: skip


def _to_either_side(budget: Budget) -> Budget:
    """Return the budget of a ratio with the larger side of its power's interval as U: of a power known to 90 %, 10 dB downwards.

    The power's interval is the one that its own verdict rests on: both verdicts must go together.
    """
    if budget.expanded is None:
        return budget
    relative = min(budget.expanded * math.log(10.0) / 10.0, MOST_RELATIVE)
    lower_side_db = -10.0 * math.log10(1.0 - relative)
    more_db = math.sqrt(max(0.0, lower_side_db**2 - budget.expanded**2)) / 2.0
    part = Contribution.normal("interval of the power, its larger side in decibels", more_db, unit="dB")
    return replace(budget, contributions=(*budget.contributions, part))


def _nothing_known(quantity: str, unit: str, limits: Limits, note: str) -> Finding:
    """Return the finding of a bound that lies beyond the limit: it decides nothing."""
    why = f"{note}; that is beyond the limit, so that nothing is known: an analyser with less noise of its own would show more"
    return Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=why)


def _ratio_parts(
    which: str,
    ratios_db: list[float],
    slope: float,
    own_db: float,
    seen: Seen,
    settings: AdjacentChannelPowerSettings,
    conditions: Conditions,
) -> Parts:
    bench, parts = conditions.bench, Parts(conditions.bench)
    if settings.read == "spectrum":
        parts.accuracy("analyser, scale", HalfWidth.of(bench, "spectrum_analyser", "scale"), unit="dB")
    else:
        parts.accuracy(
            "analyser, linearity", HalfWidth.of(bench, "modulation_analyser", "linearity"), unit="dB"
        )
    volts = HalfWidth.of(bench, "audio_analyser", "voltage")
    parts.accuracy("audio source, level", None if volts is None else volts.in_db().times(slope), unit="dB")
    parts.connection(AUDIO_LEAD, coefficient=slope * DB_PER_RELATIVE_VOLTAGE / 100.0)
    edge_hz = settings.resolution_bandwidth_hz / 2.0
    edges_db = max(
        abs(_ratio_db(seen.spectra[0], settings, which, shift) - _ratio_db(seen.spectra[0], settings, which))
        for shift in (-edge_hz, edge_hz)
    )
    parts.add(
        repeatability("repeatability", ratios_db, unit="dB"),
        Contribution.bounded("filter at the edges of the band", edges_db, unit="dB"),
    )
    if own_db > 0.0:
        parts.add(Contribution.bounded("analyser, own noise", OWN_SHARE * own_db, unit="dB", common="bench"))
    return parts


def _absolute(quantity: str, power_w: float, seen: Seen, of_ratio: Budget, conditions: Conditions) -> Budget:
    """Return the budget of a power in W: that of the ratio, and that of the power meter."""
    per_db = power_w / (10.0 / math.log(10.0))
    of_power = power_budget(quantity, power_w, list(seen.meter_dbm), conditions)
    scaled = tuple(replace(one, coefficient=one.coefficient * per_db) for one in of_ratio.contributions)
    return replace(
        of_power,
        contributions=(*of_power.contributions, *scaled),
        unstated=tuple(dict.fromkeys((*of_power.unstated, *of_ratio.unstated))),
        unstated_connections=tuple(
            dict.fromkeys((*of_power.unstated_connections, *of_ratio.unstated_connections))
        ),
    )


def _own_share(
    which: str, seen: Seen, settings: AdjacentChannelPowerSettings, conditions: Conditions
) -> float | None:
    """Return the instrument's own noise in a band, of the whole power; None where nobody states it."""
    if settings.read == "samples":
        return seen.floor_w_per_hz * settings.bandwidth_hz / seen.spectra[0].total_w
    return looks.own_noise(seen.spectra[0], conditions, settings.band_hz(which))


def _note(
    seen: Seen, settings: AdjacentChannelPowerSettings, conditions: Conditions, own: float | None
) -> str:
    band = f"{format_quantity(settings.bandwidth_hz, 'Hz')}, offsets from the channel's frequency"
    parts = [driven_spectrum.note_of(seen, settings, conditions), band]
    if own is None:
        parts.append(
            "the analyser's own noise beside a carrier is not stated ('phase_noise'): it may be part of this"
        )
    else:
        parts.append(f"own noise {10.0 * math.log10(max(own, LEAST_SHARE)):.0f} dB")
    return "; ".join(parts)
