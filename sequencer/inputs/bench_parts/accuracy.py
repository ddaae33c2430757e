"""How far each kind of instrument may be wrong, as a bench file states it: half-widths, rectangular unless said otherwise.

Each role has its own keys, those that its data sheet has; a key of another role is a complaint that says whose it is. What is not stated
is unknown, not nought: results that need it say that their uncertainty is not stated.
"""

from typing import Annotated, ClassVar

from pydantic import AfterValidator
from typing_extensions import override

from sequencer.files.fields import (
    FileModel,
    FrequencyDifferenceHz,
    Percent,
    Ppm,
    RatioDb,
    between,
)

# Beyond these half-widths nothing is measured any more: workshop's own.
HalfWidthDb = Annotated[RatioDb, AfterValidator(between(0.0, 30.0, "dB"))]
HalfWidthPpm = Annotated[Ppm, AfterValidator(between(0.0, 1e5, "ppm"))]
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

    level_db: HalfWidthDb | None = None
    """Level at its own connector."""
    frequency_ppm: HalfWidthPpm | None = None
    """Frequency (its reference); counts where an interferer stands on the skirt of a filter."""
    deviation_percent: HalfWidthPercent | None = None
    """FM deviation, of the setting."""
    depth_percent: HalfWidthPercent | None = None
    """AM depth, of the setting."""
    tone_percent: HalfWidthPercent | None = None
    """Frequency of the modulating tone; counts in FM, where de-emphasis turns it into a level."""


class PowerMeterAccuracy(Accuracy):
    """What a power meter may be wrong by."""

    of: ClassVar[str] = "a power meter"

    power_percent: HalfWidthPercent | None = None
    """Power, of the reading."""
    linearity_db: HalfWidthDb | None = None
    """The difference of two of its levels; without it the power's accuracy stands for it."""


class ModulationAnalyserAccuracy(Accuracy):
    """What a modulation analyser may be wrong by."""

    of: ClassVar[str] = "a modulation analyser"

    deviation_percent: HalfWidthPercent | None = None
    """Peak deviation, of the reading."""
    depth_percent: HalfWidthPercent | None = None
    """Peak depth, of the reading."""
    frequency_ppm: HalfWidthPpm | None = None
    """Carrier frequency (its reference)."""
    resolution_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(0.0, 1e6, "Hz"))] | None = None
    """The step in which it counts a carrier's frequency."""
    distortion_percent: HalfWidthPercent | None = None
    """Distortion of the demodulated audio, of the reading."""
    residual_percent: HalfWidthPercent | None = None
    """Residual modulation: an rms reading near its own floor, of the reading."""
    flatness_percent: HalfWidthPercent | None = None
    """By how much its readings of equal modulation differ between two tones of the speech band."""
    linearity_db: HalfWidthDb | None = None
    """The difference of two of its selective levels, as in carrier and sideband suppression."""
    step_db: HalfWidthDb | None = None
    """A step of up to 3 dB in the level of its baseband samples, as where a carrier has come to its power but for that."""


class AudioAnalyserAccuracy(Accuracy):
    """What an audio analyser may be wrong by."""

    of: ClassVar[str] = "an audio analyser"

    sinad_db: HalfWidthDb | None = None
    """SINAD, its own answer and what is worked out from its samples."""
    voltage_percent: HalfWidthPercent | None = None
    """Audio voltage, of the reading; and of the source, of the setting."""
    distortion_percent: HalfWidthPercent | None = None
    """Distortion, of the reading; without it what is stated of SINAD stands for it: they are one measurement."""
    frequency_ppm: HalfWidthPpm | None = None
    """Audio frequency, of the reading; and of the source, of the setting."""


class VoltmeterAccuracy(Accuracy):
    """What a voltmeter may be wrong by."""

    of: ClassVar[str] = "a voltmeter"

    voltage_percent: HalfWidthPercent | None = None
    """Voltage, of the reading."""


class SupplyAccuracy(Accuracy):
    """What a supply may be wrong by."""

    of: ClassVar[str] = "a supply"

    voltage_percent: HalfWidthPercent | None = None
    """Voltage, of the setting and of the reading."""
    current_percent: HalfWidthPercent | None = None
    """Current, of the reading."""


class SpectrumAnalyserAccuracy(Accuracy):
    """What a spectrum analyser may be wrong by."""

    of: ClassVar[str] = "a spectrum analyser"

    level_db: HalfWidthDb | None = None
    """Level at its own connector, at the frequency it is adjusted at."""
    response_db: HalfWidthDb | None = None
    """By how much its level differs over frequency from that."""
    scale_db: HalfWidthDb | None = None
    """The difference of two of its levels at one setting."""
    attenuator_db: HalfWidthDb | None = None
    """The difference of two of its levels at two settings of its input attenuator."""
    bandwidth_percent: HalfWidthPercent | None = None
    """Noise bandwidth of its filters, against `noise_bandwidth` of its entry."""


ACCURACIES: tuple[type[Accuracy], ...] = (
    GeneratorAccuracy,
    PowerMeterAccuracy,
    ModulationAnalyserAccuracy,
    AudioAnalyserAccuracy,
    VoltmeterAccuracy,
    SupplyAccuracy,
    SpectrumAnalyserAccuracy,
)


def keys_of(model: type[FileModel]) -> set[str]:
    """Return the keys that ``model`` reads."""
    return {field.alias or name for name, field in model.model_fields.items()}
