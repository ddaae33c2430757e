"""How far each kind of instrument may be wrong, as a bench file states it: half-widths, rectangular unless said otherwise.

Each role has its own keys, those that its data sheet has; a key of another role is a complaint that says whose it is.
"""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import AfterValidator
from typing_extensions import override

from sequencer.files.fields import FileModel, Percent, Ppm, RatioDb, at_least, between

HalfWidthDb = Annotated[RatioDb, AfterValidator(at_least(0.0, "dB"))]
HalfWidthPpm = Annotated[Ppm, AfterValidator(at_least(0.0, "ppm"))]
HalfWidthPercent = Annotated[Percent, AfterValidator(between(0.0, 100.0, "%"))]


class Accuracy(FileModel):
    """What an instrument may be wrong by."""

    of: ClassVar[str] = "an instrument"
    """Whose accuracy it is, as a complaint says it."""

    @classmethod
    @override
    def about_unknown(cls, key: str) -> str:
        """Say whose accuracy ``key`` is."""
        whose = [one.of for one in ACCURACIES if key in keys_of(one)]
        return f"'{key}' is an accuracy of {' or '.join(whose)}, not of {cls.of}" if whose else ""


class GeneratorAccuracy(Accuracy):
    """What a signal generator may be wrong by."""

    of: ClassVar[str] = "a signal generator"

    level_db: HalfWidthDb = 0.0
    """Level at its own connector."""
    frequency_ppm: HalfWidthPpm = 0.0
    """Frequency (its reference)."""
    deviation_percent: HalfWidthPercent = 0.0
    """FM deviation, of the setting."""
    depth_percent: HalfWidthPercent = 0.0
    """AM depth, of the setting."""


class PowerMeterAccuracy(Accuracy):
    """What a power meter may be wrong by."""

    of: ClassVar[str] = "a power meter"

    power_percent: HalfWidthPercent = 0.0
    """Power, of the reading."""
    linearity_db: HalfWidthDb | None = None
    """The difference of two of its levels; without it the power's accuracy stands for it."""


class ModulationAnalyserAccuracy(Accuracy):
    """What a modulation analyser may be wrong by."""

    of: ClassVar[str] = "a modulation analyser"

    deviation_percent: HalfWidthPercent = 0.0
    """Peak deviation, of the reading."""
    depth_percent: HalfWidthPercent | None = None
    """Peak depth, of the reading; without it the deviation's accuracy stands for it."""
    frequency_ppm: HalfWidthPpm = 0.0
    """Carrier frequency (its reference)."""
    distortion_percent: HalfWidthPercent | None = None
    """Distortion of the demodulated audio, of the reading; without it 5 % stand for it (common practice, no source)."""


class AudioAnalyserAccuracy(Accuracy):
    """What an audio analyser may be wrong by."""

    of: ClassVar[str] = "an audio analyser"

    sinad_db: HalfWidthDb = 0.0
    """SINAD."""
    voltage_percent: HalfWidthPercent = 0.0
    """Audio voltage, of the reading; and of the source, of the setting."""
    distortion_percent: HalfWidthPercent | None = None
    """Distortion, of the reading; without it what is stated of SINAD stands for it."""
    frequency_ppm: HalfWidthPpm = 0.0
    """Audio frequency, of the reading."""


class VoltmeterAccuracy(Accuracy):
    """What a voltmeter may be wrong by."""

    of: ClassVar[str] = "a voltmeter"

    voltage_percent: HalfWidthPercent = 0.0
    """Voltage, of the reading."""


class SupplyAccuracy(Accuracy):
    """What a supply's own readings may be wrong by."""

    of: ClassVar[str] = "a supply"

    voltage_percent: HalfWidthPercent = 0.0
    """Voltage, of the reading."""
    current_percent: HalfWidthPercent = 0.0
    """Current, of the reading."""


ACCURACIES: tuple[type[Accuracy], ...] = (
    GeneratorAccuracy,
    PowerMeterAccuracy,
    ModulationAnalyserAccuracy,
    AudioAnalyserAccuracy,
    VoltmeterAccuracy,
    SupplyAccuracy,
)


def keys_of(model: type[FileModel]) -> set[str]:
    """Return the keys that ``model`` reads."""
    return {field.alias or name for name, field in model.model_fields.items()}
