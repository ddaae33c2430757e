"""Occupied bandwidth: how wide a band holds 99 % of a driven transmitter's power, half a per cent left out on either side.

47 CFR 2.1049 drives what is no SSB with 2500 Hz, 16 dB above the level for 50 % modulation: 14.4 dB above the one for 60 %. The bandwidth
of one tone's modulation ends on a line, and so goes in steps of the tone: how far it may be off is no slope, but where it ends with
the share outside as large and as small as the errors of level allow.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.shared.asked.limits import BandwidthLimit
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.spectrum import driven_spectrum
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.checks.shared.spectrum.driven_spectrum import Above, DrivenSettings, Filter, Look, Seen
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.checks.shared.transmit.drive_response import falls_by_db, hold_to_drive
from sequencer.checks.shared.transmit.keyed_readings import Tone
from sequencer.files.fields import FrequencyDifferenceHz, between
from sequencer.inputs.stated import AUDIO_LEAD
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_VOLTAGE, repeatability
from sequencer.uncertainty.coverage import student_factor
from sequencer.uncertainty.distributions import Shape
from sequencer.units.format import format_quantity

if TYPE_CHECKING:
    from sequencer.dsp.spectrum import PowerSpectrum

ABOVE_60_PERCENT_DB = 14.4  # 16 dB above 50 %: 1.58 dB less above 60 %
OUTSIDE = 0.005
QUANTITY = "occupied bandwidth"
SKIRT_FILTERS = 3.0  # within so many of its widths a line holds all but a ten-thousandth of its power
LEVEL_ERRORS = "where the band ends with the errors of level"
WIDE_SHARE = 0.8  # of the span: beyond it the edges are the span's own
Span = Annotated[FrequencyDifferenceHz, AfterValidator(between(1e3, 1e6, "Hz"))]


class OccupiedBandwidthSettings(DrivenSettings):
    """Settings of `occupied_bandwidth`."""

    check: Literal["occupied_bandwidth"]
    """Which check this is."""
    above_db: Above = ABOVE_60_PERCENT_DB
    """How far above `drive` the unit is driven; SSB: not at all."""
    tone_hz: Tone = 2500.0
    """Tone at the microphone input; SSB: 400 Hz and 2500 Hz instead."""
    resolution_bandwidth_hz: Filter = 100.0
    """The analyser's filter: about a hundredth of the bandwidth."""
    span_hz: Span = 24e3
    """How wide a band is looked at, the channel in its middle: three times what is expected."""
    limit: BandwidthLimit = BandwidthLimit.unstated()
    """How wide it may be: usually a max."""


class OccupiedBandwidth(Check[OccupiedBandwidthSettings]):
    """Drive the unit, see its spectrum, and find the band that holds 99 % of its power."""

    name: ClassVar[str] = "occupied_bandwidth"
    summary: ClassVar[str] = "the band that holds 99 % of a driven transmitter's power"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"spectrum_analyser", "power_meter", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM", "USB", "LSB"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    settings = OccupiedBandwidthSettings

    @override
    def quantities(self, settings: OccupiedBandwidthSettings) -> tuple[tuple[str, str], ...]:
        return ((QUANTITY, "Hz"),)

    @override
    def roles_of(self, settings: OccupiedBandwidthSettings) -> frozenset[str]:
        return driven_spectrum.roles_of(settings)

    def needs(self, settings: OccupiedBandwidthSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        own = "spectrum_analyser.scale" if settings.read == "spectrum" else "modulation_analyser.linearity"
        return (own, "audio_analyser.voltage", AUDIO_LEAD)

    def demands(self, settings: OccupiedBandwidthSettings, conditions: Conditions) -> list[Demand]:
        """Return what its analyser cannot do: a filter it has not, a span beyond it or beyond the path's loss table."""
        return driven_spectrum.demands(settings, conditions, settings.span_hz / 2.0, at="span")

    def commands(self, settings: OccupiedBandwidthSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return driven_spectrum.commands_of(settings, conditions.mode)

    @override
    def waits_of(self, settings: OccupiedBandwidthSettings, conditions: Conditions) -> Mapping[str, float]:
        return driven_spectrum.waits_of(settings)

    def forecast_s(self, settings: OccupiedBandwidthSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: seven sweeps, or six recordings."""
        return driven_spectrum.forecast_s(settings, conditions, settings.span_hz / 2.0)

    @override
    def transmit(
        self, side: TransmitSide, settings: OccupiedBandwidthSettings, conditions: Conditions
    ) -> list[Finding]:
        look = Look(side, settings, conditions, reach_hz=settings.span_hz / 2.0)
        try:
            seen = look.see(lambda one: [_width_hz(one)], within=settings.resolution_bandwidth_hz / 2.0)
        except Untrusted as error:
            side.rest()
            return [
                Finding(
                    quantity=QUANTITY, value=None, unit="Hz", limits=settings.limit.limits, note=error.why
                )
            ]
        is_ssb = conditions.mode in driven_spectrum.SIDEBANDS
        held = hold_to_drive(
            side,
            [_finding(seen, settings, conditions)],
            look.modulation,
            before=driven_spectrum.modulation_db(seen.spectra[-1], settings.tone_hz, is_ssb=is_ssb),
            tone_hz=settings.tone_hz,
            level_v=settings.level_v(conditions.mode),
            conditions=conditions,
            follows=falls_by_db,
            apply=look.drive,
        )
        side.rest()
        if is_ssb:
            side.remove_second_tone()
        return held


def _width_hz(seen: PowerSpectrum) -> float:
    low_hz, high_hz = seen.edges_hz(OUTSIDE)
    return high_hz - low_hz


def _edges(
    seen: PowerSpectrum, filter_hz: float, *, outside: float = OUTSIDE
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return each edge and how far it may be off, Hz: a filter smears the line on which the band ends.

    What a filter shows ends in the skirt of that line, the band itself on the line: the middle of both is taken.
    """
    low_hz, high_hz = seen.edges_hz(outside)
    found = []
    for shown_hz in (low_hz, high_hz):
        line_hz = seen.highest_hz(shown_hz - SKIRT_FILTERS * filter_hz, shown_hz + SKIRT_FILTERS * filter_hz)
        found.append(((shown_hz + line_hz) / 2.0, abs(shown_hz - line_hz) / 2.0 + filter_hz / 2.0))
    return found[0], found[1]


def _finding(seen: Seen, settings: OccupiedBandwidthSettings, conditions: Conditions) -> Finding:
    filter_hz = (
        settings.resolution_bandwidth_hz if settings.read == "spectrum" else driven_spectrum.SAMPLED_WIDTH_HZ
    )
    ends = [_edges(one, filter_hz) for one in seen.spectra]
    widths_hz = [high[0] - low[0] for low, high in ends]
    width_hz, limits = statistics.fmean(widths_hz), settings.limit.limits
    note = driven_spectrum.note_of(seen, settings, conditions)
    if width_hz > WIDE_SHARE * settings.span_hz:
        why = f"{note}; the band reaches the ends of the span of {format_quantity(settings.span_hz, 'Hz')}: widen 'span'"
        return Finding(quantity=QUANTITY, value=None, unit="Hz", limits=limits, note=why)
    bench, parts = conditions.bench, Parts(conditions.bench)
    by, key = (
        ("spectrum_analyser", "scale")
        if settings.read == "spectrum"
        else ("modulation_analyser", "linearity")
    )
    # half a per cent of the power, off by the errors of level, ends the band elsewhere: a whole tone further on, where it is near a step
    shown_hz = seen.spectra[0].edges_hz(OUTSIDE)
    per_drive_db = _share_per_db(seen, *shown_hz)
    levels = Parts(bench)
    levels.accuracy("scale", HalfWidth.of(bench, by, key), unit="dB")
    volts = HalfWidth.of(bench, "audio_analyser", "voltage")
    levels.accuracy("drive", None if volts is None else volts.in_db(), unit="dB", coefficient=per_drive_db)
    levels.connection(AUDIO_LEAD, coefficient=per_drive_db * DB_PER_RELATIVE_VOLTAGE / 100.0)
    of_share = levels.budget("share outside", "dB", 0.0)
    off_db = _off_db(of_share) + _scatter_db(seen, *shown_hz)
    reach_hz = _reach_hz(seen, width_hz, off_db, filter_hz)
    keys = tuple(dict.fromkeys(key for part in of_share.contributions for key in part.keys))
    parts.take_unstated(of_share)
    parts.add(
        repeatability("repeatability", widths_hz, unit="Hz"),
        Contribution.bounded(LEVEL_ERRORS, reach_hz, Shape.U_SHAPED, unit="Hz", keys=keys),
        Contribution.bounded("filter, lower edge", max(low[1] for low, _ in ends), unit="Hz"),
        Contribution.bounded("filter, upper edge", max(high[1] for _, high in ends), unit="Hz"),
    )
    budget = parts.budget(QUANTITY, "Hz", width_hz)
    points = looks.trace_points(seen.levels)
    return Finding(
        quantity=QUANTITY, value=width_hz, unit="Hz", limits=limits, budget=budget, note=note, points=points
    )


def _off_db(of_share: Budget) -> float:
    """Return how far the share outside may be off, dB: what is bounded by all of its half-width, the rest by two standard uncertainties."""
    return sum(
        abs(part.coefficient) * (part.stated if part.shape.is_bounded else 2.0 * part.standard)
        for part in of_share.contributions
    )


def _outside_db(seen: PowerSpectrum, low_hz: float, high_hz: float) -> float:
    """Return the share of the power beyond two frequencies, dB."""
    return 10.0 * math.log10(max(1.0 - seen.band_w(low_hz, high_hz) / seen.total_w, 1e-9))


def _share_per_db(seen: Seen, low_hz: float, high_hz: float) -> float:
    """Return by how many decibels the share beyond two frequencies changes with a decibel of drive."""
    return seen.per_db(lambda one: _outside_db(one, low_hz, high_hz))


def _scatter_db(seen: Seen, low_hz: float, high_hz: float) -> float:
    """Return how far the mean share outside may be off by noise, dB: two standard deviations of a mean, Student's t."""
    shares_db = seen.figures(lambda one: _outside_db(one, low_hz, high_hz))
    return repeatability("share", shares_db, unit="dB").standard * student_factor(0.9545, len(shares_db) - 1)


def _reach_hz(seen: Seen, width_hz: float, off_db: float, filter_hz: float) -> float:
    """Return how far from ``width_hz`` the band ends, Hz, with half a per cent outside off by ``off_db`` to either side.

    Where that is another line, its filter smears it otherwise than the line that was found, and both smears count in full.
    """
    reached_hz = []
    for factor in (10.0 ** (off_db / 10.0), 10.0 ** (-off_db / 10.0)):
        for one in seen.spectra:
            low, high = _edges(one, filter_hz, outside=OUTSIDE * factor)
            apart_hz, smear_hz = abs(high[0] - low[0] - width_hz), low[1] + high[1]
            reached_hz.append(apart_hz + smear_hz if apart_hz > smear_hz else apart_hz)
    return max(reached_hz)
