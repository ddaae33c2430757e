"""Files into plain dataclasses whose field names carry their units."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, Literal

import pytest

from drivers.profiled.profile import Profile
from drivers.text.profile import TextProfile
from sequencer.files.dataclass_model import model_for, read_dataclass, read_dataclass_text
from sequencer.files.shipped import find_file, shipped_names
from sequencer.problems import FileProblems


class Law(Enum):
    """How a meter moves."""

    NEEDLE = "needle"
    SEGMENTS = "segments"


class Wrong(ValueError):
    """An error that names its field, as packages that do not import the engine define it."""

    def __init__(self, field_name: str, message: str, allowed: str) -> None:
        self.field_name, self.message, self.allowed = field_name, message, allowed
        super().__init__("words that nobody reads back")


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """A nested part."""

    law: Law = Law.NEEDLE
    steps_dbm: tuple[float, ...] = ()
    s9_dbm: float = -73.0
    s9_v: float = 2.25

    def __post_init__(self) -> None:
        if self.s9_v < 0:
            raise Wrong("s9_v", f"s9_v: {self.s9_v} is not allowed", "0 V or more; not below; allowed: so")
        if list(self.steps_dbm) != sorted(self.steps_dbm):
            raise ValueError("steps do not rise")


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """A unit as a simulator might define it."""

    name: str
    noise_figure_db: float = 6.0
    blocking_dbm: float = -20.0
    power_w: float = 4.0
    supply_v: float = 13.2
    current_a: float | None = None
    bandwidth_hz: float = 8000.0
    lag_s: float = 0.1
    error_ppm: float = 0.0
    depth_percent: float = 60.0
    temperature_c: float = 23.0
    load_ohm: float = 8.0
    knob: float = 1.0
    modes: tuple[Literal["FM", "AM"], ...] = ("FM",)
    memory_hz: Mapping[int, float] = field(default_factory=dict)
    meter: Meter = field(default_factory=Meter)
    parts: tuple[Meter, ...] = ()


FULL = """\
name: sound
noise_figure: 8 dB
blocking: -25 dBm
power: 500 mW
supply: 12 V
current: 900 mA
bandwidth: 7.5 kHz
lag: 20 ms
error: -3 ppm
depth: 30 %
temperature: -10 °C
load: 4 Ω
knob: 0.5
modes: [FM, AM]
memory: {1: 26.965 MHz, 40: 27.405 MHz}
meter: {law: segments, steps: [5 uV emf, -93 dBm], s9_dbm: -79 dBm, s9_v: 2 V}
parts: [{}, {law: needle}]
"""


def test_every_unit_arrives_in_the_unit_of_its_field():
    """Each suffix reads its own quantity, in tuples and mappings too; nested parts become their class."""
    specimen = read_dataclass_text(FULL, Specimen).model
    assert isinstance(specimen, Specimen)
    assert specimen.noise_figure_db == 8.0
    assert specimen.blocking_dbm == -25.0
    assert specimen.power_w == 0.5
    assert specimen.current_a == 0.9
    assert specimen.bandwidth_hz == 7500.0
    assert specimen.lag_s == 0.02
    assert specimen.error_ppm == -3.0
    assert specimen.depth_percent == 30.0
    assert specimen.temperature_c == -10.0
    assert specimen.load_ohm == 4.0
    assert specimen.knob == 0.5
    assert specimen.modes == ("FM", "AM")
    assert specimen.memory_hz == {1: 26_965_000.0, 40: 27_405_000.0}
    assert isinstance(specimen.meter, Meter)
    assert specimen.meter.law is Law.SEGMENTS
    assert specimen.meter.steps_dbm == (pytest.approx(-99.03, abs=0.005), -93.0)
    assert specimen.parts == (Meter(), Meter())


def test_defaults_are_the_dataclass_own():
    """What the file does not say is what the dataclass says by itself."""
    assert read_dataclass_text("name: bare", Specimen).model == Specimen(name="bare")


@pytest.mark.parametrize(
    ("text", "place", "said"),
    [
        ("{}", "<text>:1:1", "key 'name' is missing"),
        ("name: x\nnoise_figure_db: 8 dB", "<text>:2:1", "unknown key 'noise_figure_db'"),
        ("name: x\nnoise_figure: 8", "<text>:2:15", "'8' has no unit"),
        ("name: x\npower: 4 V", "<text>:2:8", "'4 V' is not a power"),
        ("name: x\nknob: 4 V", "<text>:2:7", "'4 V' is not allowed here"),
        ("name: x\nmemory: {one: 27 MHz}", "<text>:2:10", "one is not allowed here"),
        ("name: x\nmemory: {1: 27}", "<text>:2:13", "'27' has no unit"),
        ("name: x\nmeter: {s9_v: -1 V}", "<text>:2:15", "s9_v: -1.0 is not allowed"),
        ("name: x\nmeter: {steps: [2 dBm, 1 dBm]}", "<text>:2:8", "steps do not rise"),
        ("name: x\nparts: [{law: neddle}]", "<text>:2:15", "'neddle' is not allowed here"),
    ],
)
def test_a_wrong_file_is_refused_at_its_place(text, place, said):
    """Files of dataclasses get the same complaints as all others, those of __post_init__ included."""
    with pytest.raises(FileProblems) as caught:
        read_dataclass_text(text, Specimen)
    assert [(one.place, one.message) for one in caught.value.complaints] == [(place, said)]


def test_what_is_allowed_is_told_as_the_dataclass_s_own_check_says_it() -> None:
    """It travels as a field of the error: words that look like another's are not taken apart."""
    with pytest.raises(FileProblems) as caught:
        read_dataclass_text("name: x\nmeter: {s9_v: -1 V}", Specimen)
    (complaint,) = caught.value.complaints
    assert complaint.allowed == "0 V or more; not below; allowed: so"


@dataclass(frozen=True)
class Unreadable:
    """A field that no file can fill."""

    anything: Any


@dataclass(frozen=True)
class OddKeys:
    """A mapping whose keys no file can fill."""

    loss_db: Mapping[float, float]


@pytest.mark.parametrize("cls", [Unreadable, OddKeys, int])
def test_a_class_no_file_can_fill_is_a_programming_error(cls):
    """What cannot be read from a file raises TypeError when the model is built, not when a file is read."""
    with pytest.raises(TypeError):
        model_for(cls)


def test_the_model_is_built_once_and_documents_itself():
    """The model of a class is made once; its schema carries the class's docstring and examples."""
    assert model_for(Specimen) is model_for(Specimen)
    schema = model_for(Specimen).model_json_schema()
    assert schema["description"] == "A unit as a simulator might define it."
    assert schema["properties"]["supply"]["examples"] == ["13.2 V"]


@pytest.mark.parametrize("name", shipped_names("profile"))
def test_every_shipped_profile_is_read(name):
    """Each shipped command profile becomes the drivers' own value: of SCPI commands, or of text lines."""
    file = find_file(name, "profile")
    if "-line" in name:
        assert "channel" in read_dataclass(file, TextProfile).model.commands
    else:
        profile = read_dataclass(file, Profile).model
        assert profile.like or "identity" in profile.commands
