"""Peak deviation: how far speech at full drive swings the carrier, to either side."""

from __future__ import annotations

import statistics
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, model_validator

from drivers.roles import Reading
from sequencer.checks.base import Check, CheckSettings, Conditions, Finding, Side, settle
from sequencer.complaint import FieldProblem
from sequencer.contributions import instrument_accuracy, repeatability
from sequencer.decision import Limits
from sequencer.file_types import FileModel, FrequencyDifferenceHz, FrequencyHz, VoltageV, at_least, between
from sequencer.safety import TransmitSide
from sequencer.uncertainty import Budget

SETTLED_HZ = 15.0
MORE_READINGS = 2  # with two readings alone, Student's factor is 12.7
Deviation = Annotated[FrequencyDifferenceHz, AfterValidator(at_least(0.0, "Hz"))]


class DeviationLimit(FileModel):
    """Limits of a peak deviation."""

    min_hz: Deviation | None = None
    """Lowest deviation that is right."""
    max_hz: Deviation | None = None
    """Highest deviation that is right."""

    @model_validator(mode="after")
    def _in_order(self) -> DeviationLimit:
        if self.min_hz is not None and self.max_hz is not None and self.min_hz > self.max_hz:
            raise FieldProblem(
                f"contradictory limits: min {self.min_hz:g} Hz is above max {self.max_hz:g} Hz",
                at=("min",),
                allowed="min at or below max",
            )
        return self


class PeakDeviationSettings(CheckSettings):
    """Settings of `peak_deviation`."""

    check: Literal["peak_deviation"]
    """Which check this is."""
    drive_v: Annotated[VoltageV, AfterValidator(between(1e-6, 10.0, "V"))]
    """Level at the microphone input, V rms."""
    tone_hz: Annotated[FrequencyHz, AfterValidator(between(20.0, 20_000.0, "Hz"))] = 1000.0
    """Tone at the microphone input."""
    limit: DeviationLimit = DeviationLimit()
    """Lowest and highest peak deviation that is right, for either side."""


class PeakDeviation(Check[PeakDeviationSettings]):
    """Drive the microphone input with a tone, key the unit, and read both sides' peaks."""

    name: ClassVar[str] = "peak_deviation"
    summary: ClassVar[str] = "peak FM deviation of both sides"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    settings = PeakDeviationSettings

    def quantities(self, settings: PeakDeviationSettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        return (("peak deviation, positive", "Hz"), ("peak deviation, negative", "Hz"))

    def forecast_s(self, settings: PeakDeviationSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: four or five readings of either side."""
        return 1.2

    def transmit(
        self, side: TransmitSide, settings: PeakDeviationSettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure."""
        side.apply_audio(tone_hz=settings.tone_hz, level_v=settings.drive_v)
        positive, negative = _readings(side, "positive"), _readings(side, "negative")
        side.rest()
        return [
            _finding("peak deviation, positive", positive, settings, conditions),
            _finding("peak deviation, negative", negative, settings, conditions),
        ]


def _readings(side: TransmitSide, which: Literal["positive", "negative"]) -> list[Reading]:
    settled = settle(lambda: side.read_deviation_hz(which), side.wait_s, within=SETTLED_HZ)
    return settled + [side.read_deviation_hz(which) for _ in range(MORE_READINGS)]


def _finding(
    quantity: str, readings: list[Reading], settings: PeakDeviationSettings, conditions: Conditions
) -> Finding:
    limits = Limits(lower=settings.limit.min_hz, upper=settings.limit.max_hz)
    if (bad := next((reading for reading in readings if reading.number is None), None)) is not None:
        return Finding(
            quantity=quantity,
            value=None,
            unit="Hz",
            limits=limits,
            note=f"modulation analyser: {bad.state.value}",
        )
    peaks_hz = [reading.number for reading in readings if reading.number is not None]
    peak_hz = statistics.fmean(peaks_hz)
    entry = conditions.bench.with_role("modulation_analyser")
    percent = entry[1].accuracy.deviation_percent if entry is not None else 0.0
    budget = Budget(
        quantity=quantity,
        unit="Hz",
        value=peak_hz,
        contributions=(
            instrument_accuracy("analyser, deviation accuracy", peak_hz * percent / 100.0, unit="Hz"),
            repeatability("repeatability", peaks_hz, unit="Hz"),
        ),
    )
    note = f"{settings.drive_v * 1e3:g} mV at {settings.tone_hz:g} Hz"
    return Finding(quantity=quantity, value=peak_hz, unit="Hz", limits=limits, budget=budget, note=note)
