"""The model file: what is particular to a type of radio, so that one sequence serves many makes.

The limits are those of the checks, which this room does not know: `sequencer.planning.loading.model_file` adds them.
"""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from sequencer.files.fields import (
    PRINTABLE,
    FileModel,
    FrequencyDifferenceHz,
    FrequencyHz,
    PowerW,
    TimeS,
    VoltageV,
    between,
)
from sequencer.inputs.names.serial_pattern import SerialPattern
from sequencer.inputs.preset import Preset, PresetName
from sequencer.inputs.rated import RatedSupply, RatedTemperature
from sequencer.problems import FieldProblem

Mode = Literal["FM", "AM", "USB", "LSB", "CW"]
ChannelNumber = Annotated[int, AfterValidator(between(1, 9999, ""))]
DriveV = Annotated[VoltageV, AfterValidator(between(1e-6, 10.0, "V"))]
MeterV = Annotated[VoltageV, AfterValidator(between(-100.0, 100.0, "V"))]
MeterTimeS = Annotated[TimeS, AfterValidator(between(0.0, 30.0, "s"))]
DeviationHz = Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))]
CHANNEL_WORDS = ("low", "middle", "high")
"""What a sequence may write for a channel, where the model says which that is."""
LONGEST_SETTINGS = 500


def _some(listed: tuple[Any, ...]) -> tuple[Any, ...]:
    if not listed:
        raise FieldProblem("the list is empty", allowed="at least one")
    if len(set(listed)) < len(listed):
        raise FieldProblem("the same stands there twice", allowed="each once")
    return listed


_Text = Annotated[str, Field(min_length=1, max_length=100, pattern=PRINTABLE)]


class TestChannels(FileModel):
    """The channels that sequences measure on, where they name none by its number."""

    __test__ = False  # no test of pytest's

    low: ChannelNumber | None = None
    """For `channel: low`."""
    middle: ChannelNumber
    """For `channel: middle`, and for a check that names no channel."""
    high: ChannelNumber | None = None
    """For `channel: high`."""


class Microphone(FileModel):
    """Drives at the microphone input."""

    normal_v: DriveV | None = None
    """FM and AM: level for normal test modulation (60 % of the maximum is customary), V rms."""
    ssb_v: DriveV | None = None
    """USB and LSB: level of each tone at which the peak envelope power is reached, V rms."""


class Deviation(FileModel):
    """Peak deviations of the service that it is built for."""

    normal_hz: DeviationHz | None = None
    """Normal test modulation, which the generator is set to: 60 % of the maximum is customary."""
    maximum_hz: DeviationHz | None = None
    """The maximum permitted deviation."""


class Meter(FileModel):
    """The unit's signal meter."""

    kind: Literal["voltage", "bar", "dial"] = "voltage"
    """voltage: a line that follows the level, as a needle does; bar: segments; dial: a needle that only a person can read."""
    s9_v: MeterV
    """Voltage on the meter line at S9; of a bar, above which the S9 segment is lit; of a dial, the `s9` of the bench file's voltmeter."""
    attack_s: MeterTimeS | None = None
    """Time constant with which it rises; about is enough."""
    decay_s: MeterTimeS | None = None
    """Time constant with which it falls; about is enough."""
    marks: Mapping[Annotated[str, Field(max_length=20)], MeterV] | None = Field(default=None, min_length=2)
    """Voltage at each mark, `S1` to `S9` and `S9+10 dB` to `S9+60 dB`, for `s_meter_curve`."""


def _one_or_two(listed: tuple[Any, ...]) -> tuple[Any, ...]:
    if len(listed) not in (1, 2):
        raise FieldProblem(f"{len(listed)} are listed", allowed="one, or two of a double superheterodyne")
    return listed


IntermediateFrequencies = Annotated[
    tuple[Annotated[FrequencyHz, AfterValidator(between(10e3, 3e9, "Hz"))], ...],
    AfterValidator(_one_or_two),
    Field(json_schema_extra={"minItems": 1, "maxItems": 2}),
]
OscillatorSide = Annotated[
    tuple[Literal["high", "low"], ...],
    AfterValidator(_one_or_two),
    Field(json_schema_extra={"minItems": 1, "maxItems": 2}),
]


class Receiver(FileModel):
    """The receiver's frequencies, from which follows where it may hear what is not on its channel."""

    intermediate_frequencies_hz: IntermediateFrequencies
    """The intermediate frequencies, the first one first."""
    oscillators: OscillatorSide
    """high or low: on which side the first oscillator stands of the channel, and the second of the first intermediate frequency."""


class ModelFile(FileModel):
    """A model file, all but its limits, whose kinds depend on the checks that are installed."""

    model: _Text
    """The model's name, as it stands on the results."""
    serials: SerialPattern
    """Which serials its units have: a pattern that the whole serial fits, such as 'M40-\\d{4}'. It lets a serial choose the model."""
    channels: str | None = None
    """The channel plan: a shipped one (plans/cept-40.yaml) or a path of your own, beside this file."""
    test_channels: TestChannels | None = None
    """On which channels it is measured."""
    modes: Annotated[tuple[Mode, ...], AfterValidator(_some), Field(json_schema_extra={"minItems": 1})] = (
        "FM",
    )
    """The emissions it has; a sequence that names none is made in the first."""
    supply_v: Annotated[VoltageV, AfterValidator(between(0.5, 60.0, "V"))] | None = None
    """What a unit is fed with."""
    rated_power_w: Annotated[PowerW, AfterValidator(between(1e-3, 1e5, "W"))] | None = None
    """The most carrier power a sound unit gives; the plan holds it against the path's rating."""
    rated_supply: RatedSupply | None = None
    """The supplies that it is rated for; the plan refuses others."""
    rated_temperature: RatedTemperature | None = None
    """The temperatures that it is rated for; the plan refuses others."""
    microphone: Microphone = Microphone.unstated()
    """Drives at the microphone input."""
    deviation: Deviation = Deviation.unstated()
    """Peak deviations of its service."""
    receiver: Receiver | None = None
    """The receiver's frequencies, for `spurious_response`."""
    meter: Meter | None = None
    """The unit's signal meter."""
    settings: Annotated[tuple[_Text, ...], AfterValidator(_some)] | None = None
    """How its knobs must stand, to be confirmed before anything is measured."""
    presets: Mapping[PresetName, Preset] = Field(default_factory=dict)
    """What can be adjusted, by a name of your own: turned by a person or written by the tool."""

    @model_validator(mode="after")
    def _fits_a_prompt(self) -> "ModelFile":
        if self.settings is not None and len(", ".join(self.settings)) > LONGEST_SETTINGS:
            raise FieldProblem(
                "the settings are too long to be asked for at once",
                at=("settings",),
                allowed=f"at most {LONGEST_SETTINGS} characters together",
            )
        return self
