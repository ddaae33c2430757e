"""Microphone sensitivity: the drive that gives 60 % of the permitted modulation, found by stepping the audio source."""

import math
import statistics
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, model_validator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import VoltageLimit
from sequencer.checks.shared.budgets.level_budget import LOST_SHARE, how_found, why_not
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.transmit.keyed_readings import Drive, Tone
from sequencer.files.fields import FrequencyDifferenceHz, Percent, between
from sequencer.inputs.stated import AUDIO_LEAD
from sequencer.problems import FieldProblem
from sequencer.results.model import Point
from sequencer.safety.transmit import TransmitSide
from sequencer.search.curve import CurveSearch
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.protocol import Ask, Crossing, NoReading, Settling, find_crossing
from sequencer.uncertainty.contributions import SEARCH_INTERVAL, resolution, search_interval

CUSTOMARY_SHARE = (
    0.6  # normal test modulation: 60 % of the permitted maximum (from memory of EN 300 433 and its relatives)
)
RELATIVE_DB = 20.0 / math.log(10.0)
_STRAIGHT = CurvePrior(slope=1.0, slope_sd=0.15, bend=0.0, bend_sd=0.03, sd_db=0.05, sd_weight=4.0)


class MicrophoneSensitivitySettings(CheckSettings):
    """Settings of `microphone_sensitivity`."""

    check: Literal["microphone_sensitivity"]
    """Which check this is."""
    maximum_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(100.0, 1e5, "Hz"))] = 2000.0
    """FM: the permitted peak deviation, of which 60 % is aimed at."""
    depth_percent: Annotated[Percent, AfterValidator(between(5.0, 95.0, "%"))] = 60.0
    """AM: the depth that is aimed at."""
    tone_hz: Tone = 1000.0
    """Tone at the microphone input."""
    lowest_v: Drive = 100e-6
    """Lowest drive that is tried, V rms."""
    highest_v: Drive = 0.3
    """Highest drive that is tried, V rms."""
    limit: VoltageLimit = VoltageLimit.unstated()
    """Lowest and highest drive that is right."""

    @model_validator(mode="after")
    def _has_width(self) -> "MicrophoneSensitivitySettings":
        if self.lowest_v >= self.highest_v:
            raise FieldProblem(
                f"nothing lies between lowest {self.lowest_v:g} V and highest {self.highest_v:g} V",
                at=("lowest",) if "lowest_v" in self.model_fields_set else ("highest",),
                allowed="lowest below highest",
            )
        return self


class MicrophoneSensitivity(Check[MicrophoneSensitivitySettings]):
    """Step the drive until the mean of both peaks crosses 60 %; report the drive."""

    name: ClassVar[str] = "microphone_sensitivity"
    summary: ClassVar[str] = "drive for 60 % of the permitted modulation"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    waits: ClassVar[Mapping[str, float]] = {"modulation_analyser": 5.0}
    settings = MicrophoneSensitivitySettings

    @override
    def quantities(self, settings: MicrophoneSensitivitySettings) -> tuple[tuple[str, str], ...]:
        return (("microphone sensitivity", "V"),)

    def needs(self, settings: MicrophoneSensitivitySettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return (f"modulation_analyser.{_accuracy_key(conditions.mode)}", "audio_analyser.voltage", AUDIO_LEAD)

    def commands(self, settings: MicrophoneSensitivitySettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.peak_modulation(conditions.mode)

    def forecast_s(self, settings: MicrophoneSensitivitySettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: six drives, both sides of each."""
        return 0.95

    def transmit(
        self, side: TransmitSide, settings: MicrophoneSensitivitySettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure: drive in dBV against modulation in dB, which is a straight line of slope 1 below the limiter."""
        is_fm = conditions.mode == "FM"
        target = CUSTOMARY_SHARE * settings.maximum_hz if is_fm else settings.depth_percent
        window_db = (20.0 * math.log10(settings.lowest_v), 20.0 * math.log10(settings.highest_v))
        search = CurveSearch(
            target=20.0 * math.log10(target),
            window_db=window_db,
            level_unit="dBV",
            reading_unit="dB",
            accuracy_db=0.3,
            prior=_STRAIGHT,
            settling=Settling(rise_s=0.0, fall_s=0.0, least_s=0.0),
            reading_s=0.25,
            budget=25,
        )
        points: list[Point] = []
        taken: list[Reading] = []
        crossing = find_crossing(search, lambda ask: _read(side, ask, settings, points, taken, is_fm=is_fm))
        side.rest()
        unit = "Hz" if is_fm else "%"
        finding = _finding(crossing, settings, conditions, tuple(points), target, step_seen(taken))
        # The search goes by decibels of modulation: near the target one is so many of its own units.
        slope = None if crossing.slope is None else crossing.slope * target / RELATIVE_DB
        return [replace(finding, target=target, target_unit=unit, slope=slope)]


def _read(
    side: TransmitSide,
    ask: Ask,
    settings: MicrophoneSensitivitySettings,
    points: list[Point],
    taken: list[Reading],
    *,
    is_fm: bool,
) -> float | NoReading:
    side.apply_audio(tone_hz=settings.tone_hz, level_v=10.0 ** (ask.level_db / 20.0))
    read = side.read_deviation_hz if is_fm else side.read_depth_percent
    readings: list[Reading] = [read("positive"), read("negative")]
    taken += readings
    figures = [reading.number for reading in readings if reading.number is not None]
    bad = next((reading for reading in readings if reading.number is None), None)
    mean = statistics.fmean(figures) if bad is None else None
    points.append(
        Point(
            level_db=ask.level_db,
            reading=mean,
            state=bad.state.value if bad is not None else readings[0].state.value,
            reading_s=ask.reading_s,
            at_s=side.now_s(),
        )
    )
    if mean is None:
        return (
            NoReading.OVER_RANGE
            if bad is not None and bad.state.value == "over range"
            else NoReading.NO_MEASUREMENT
        )
    return 20.0 * math.log10(max(mean, 1e-3))


def _finding(
    crossing: Crossing,
    settings: MicrophoneSensitivitySettings,
    conditions: Conditions,
    points: tuple[Point, ...],
    target: float,
    step: float,
) -> Finding:
    quantity, limits = "microphone sensitivity", settings.limit.limits
    if not crossing.found or crossing.level_db is None:
        note = why_not(crossing).replace(" dBm", " dBV")
        return Finding(quantity=quantity, value=None, unit="V", limits=limits, note=note, points=points)
    drive_v = 10.0 ** (crossing.level_db / 20.0)
    bench, parts = conditions.bench, Parts(conditions.bench)
    slope = abs(crossing.slope) if crossing.slope else 1.0
    per_db = drive_v / RELATIVE_DB
    parts.add(search_interval(SEARCH_INTERVAL, crossing.half_width_db, unit="dB", coefficient=per_db))
    if (step_db := RELATIVE_DB * step / target) > LOST_SHARE * crossing.half_width_db * slope:
        parts.add(resolution("analyser, its steps", step_db, unit="dB", coefficient=per_db / slope))
    analyser = HalfWidth.of(bench, "modulation_analyser", _accuracy_key(conditions.mode))
    in_db = None if analyser is None else analyser.in_db()
    parts.accuracy("analyser, accuracy", in_db, unit="dB", coefficient=per_db / slope)
    source = HalfWidth.of(bench, "audio_analyser", "voltage")
    in_v = None if source is None else source.of_reading(drive_v)
    parts.accuracy("audio source, level accuracy", in_v, unit="V")
    parts.connection(AUDIO_LEAD, coefficient=drive_v / 100.0)
    budget = parts.budget(quantity, "V", drive_v)
    unit = "Hz" if conditions.mode == "FM" else "%"
    note = f"for {target:g} {unit} at {settings.tone_hz:g} Hz; {how_found(crossing)}"
    return Finding(
        quantity=quantity, value=drive_v, unit="V", limits=limits, budget=budget, note=note, points=points
    )


def _accuracy_key(mode: str) -> str:
    return "deviation" if mode == "FM" else "depth"
