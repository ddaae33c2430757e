"""What a role needs of the bench: a generator's range, a meter's rating, what each may be wrong by; and what every entry says."""

from collections.abc import Callable, Iterator, Mapping
from datetime import date
from typing import TYPE_CHECKING, Annotated, Literal, get_args

from pydantic import AfterValidator, Field, PrivateAttr, model_validator
from typing_extensions import override

from sequencer.files.fields import (
    FileModel,
    FrequencyDifferenceHz,
    FrequencyHz,
    LevelDbm,
    PowerW,
    RatioDb,
    TemperatureC,
    TimeS,
    VoltageV,
    between,
)
from sequencer.inputs.bench_parts.accuracy import (
    AudioAnalyserAccuracy,
    GeneratorAccuracy,
    ModulationAnalyserAccuracy,
    PowerMeterAccuracy,
    SpectrumAnalyserAccuracy,
    SupplyAccuracy,
    VoltmeterAccuracy,
    keys_of,
)
from sequencer.inputs.bench_parts.bench_health import ExpectedIdentity
from sequencer.problems import FieldProblem

INSTALLED = "installed"
USUAL_SWEEP_FACTOR = 2.5  # of near-Gaussian filters, from memory of makers' application notes
TYPICAL_NOISE_BANDWIDTH = 1.09  # a maker's analysis tutorial gives 1.05 to 1.13
Vswr = Annotated[float, AfterValidator(between(1.0, 100.0, ""))]


class Calibration(FileModel):
    """The certificate an instrument's accuracy rests on."""

    certificate: str
    """The certificate's number."""
    due: date
    """The day it runs out."""


class LevelRange(FileModel):
    """From and to, for a generator's output."""

    min_dbm: LevelDbm
    """Lowest level it offers."""
    max_dbm: LevelDbm
    """Highest level it may be set to."""

    @model_validator(mode="after")
    def _in_order(self) -> "LevelRange":
        if self.min_dbm >= self.max_dbm:
            raise FieldProblem(
                f"min {self.min_dbm:g} dBm is not below max {self.max_dbm:g} dBm",
                at=("min",),
                allowed="min below max",
            )
        return self


class Instrument(FileModel):
    """What every instrument's entry says."""

    calibration: Calibration | None = None
    """The certificate its accuracy rests on; kept with every run."""
    identity: ExpectedIdentity | None = None
    """Who must answer there, so that another instrument at its address is refused."""

    _name: str = PrivateAttr(default="")

    if TYPE_CHECKING:  # each kind of entry has these, read from the file or fixed

        @property
        def role(self) -> str:
            """What it does on this bench."""

        @property
        def driver(self) -> str:
            """What drives it."""

        @property
        def address(self) -> str:
            """VISA resource; of a person, a name that is nobody's address."""

        @property
        def profile(self) -> str:
            """A shipped command profile, or the path of the user's own."""

        @property
        def timeout_s(self) -> float:
            """How long an answer may take, s."""

    @property
    def manual(self) -> bool:
        """Whether a person sets or reads it: few readings then, and none longer than a look."""
        return False

    @property
    def settling_s(self) -> float:
        """How long to wait after a setting, s; 0 where its driver does not wait by the clock."""
        return 0.0

    def take_name(self, name: str) -> None:
        """Remember the name it stands under."""
        self._name = name

    @classmethod
    @override
    def about_unknown(cls, key: str) -> str:
        """Say for which driver or role ``key`` is."""
        own = role_of(cls)
        users = [
            (role_of(one), driver)
            for driver, models in ENTRIES.items()
            for one in models
            if key in keys_of(one)
        ]
        if drivers := [driver for role, driver in users if role == own and driver != INSTALLED]:
            wanted = " or ".join(f"'driver: {one}'" for one in drivers)
            return f"'{key}' is for {wanted} only"
        roles = dict.fromkeys(role for role, driver in users if driver != INSTALLED)
        return f"'{key}' is for {' or '.join(map(called, roles))}, not for {called(own)}" if roles else ""


class Matched(Instrument):
    """An instrument whose RF connector stands in budgets."""

    vswr: Vswr | None = None
    """Match of its RF connector; 1 is perfect. Without it what is measured through it has no stated uncertainty."""


class SignalGenerator(Matched):
    """An RF signal generator."""

    role: Literal["signal_generator"]
    """What it does on this bench; need not be written where the entry is named after it."""
    level: LevelRange
    """What it can be set to, at its own connector."""
    phase_noise_db: Annotated[RatioDb, AfterValidator(between(-200.0, -40.0, "dB"))] | None = None
    """Its noise 10 kHz beside its carrier, dBc in 1 Hz: of the second generator, what may spoil reception. A simulated one has as much."""
    far_noise_db: Annotated[RatioDb, AfterValidator(between(-200.0, -40.0, "dB"))] | None = None
    """The floor of its noise, far from its carrier, dBc in 1 Hz."""
    accuracy: GeneratorAccuracy = GeneratorAccuracy.unstated()
    """What it may be wrong by."""


class PowerMeter(Matched):
    """An RF power meter."""

    role: Literal["power_meter"]
    """What it does on this bench; need not be written where the entry is named after it."""
    max_power_w: Annotated[PowerW, AfterValidator(between(1e-9, 1e5, "W"))] | None = None
    """The most its sensor may be given; 100 mW, what ordinary sensors take (common practice), where none is stated."""
    accuracy: PowerMeterAccuracy = PowerMeterAccuracy.unstated()
    """What it may be wrong by."""


class ModulationAnalyser(Instrument):
    """A modulation analyser."""

    role: Literal["modulation_analyser"]
    """What it does on this bench; need not be written where the entry is named after it."""
    accuracy: ModulationAnalyserAccuracy = ModulationAnalyserAccuracy.unstated()
    """What it may be wrong by."""


class AudioAnalyser(Instrument):
    """An audio source and an audio analyser."""

    role: Literal["audio_analyser"]
    """What it does on this bench; need not be written where the entry is named after it."""
    accuracy: AudioAnalyserAccuracy = AudioAnalyserAccuracy.unstated()
    """What it may be wrong by."""


class Voltmeter(Instrument):
    """A voltmeter on the signal-meter line."""

    role: Literal["voltmeter"]
    """What it does on this bench; need not be written where the entry is named after it."""
    accuracy: VoltmeterAccuracy = VoltmeterAccuracy.unstated()
    """What it may be wrong by."""


class Supply(Instrument):
    """A DC supply that feeds the unit."""

    role: Literal["supply"]
    """What it does on this bench; need not be written where the entry is named after it."""
    max_voltage_v: Annotated[VoltageV, AfterValidator(between(0.1, 1000.0, "V"))] = 16.0
    """The most it may be set to."""
    accuracy: SupplyAccuracy = SupplyAccuracy.unstated()
    """What it may be wrong by."""


class Switch(Instrument):
    """An RF switch between the receive path and the transmit path."""

    role: Literal["switch"]
    """What it does on this bench; need not be written where the entry is named after it."""


class Radio(Instrument):
    """The unit's own controls: channel, mode, push-to-talk."""

    role: Literal["radio"]
    """What it does on this bench; need not be written where the entry is named after it."""
    key_response_s: Annotated[TimeS, AfterValidator(between(0.0, 1.0, "s"))] | None = None
    """How long it takes at most from the order to the push-to-talk line is closed or open: of a relay box, its relay."""


class SpectrumAnalyser(Matched):
    """A spectrum analyser on the transmit path, beside the power meter."""

    role: Literal["spectrum_analyser"]
    """What it does on this bench; need not be written where the entry is named after it."""
    max_power_w: Annotated[PowerW, AfterValidator(between(1e-9, 1e5, "W"))] | None = None
    """The most its input may be given; 1 W, what ordinary ones take (common practice), where none is stated."""
    lowest_hz: Annotated[FrequencyHz, AfterValidator(between(0.0, 1e12, "Hz"))] | None = Field(
        default=None, alias="lowest"
    )
    """The lowest frequency that it shows."""
    highest_hz: Annotated[FrequencyHz, AfterValidator(between(1.0, 1e12, "Hz"))] | None = Field(
        default=None, alias="highest"
    )
    """The highest frequency that it shows."""
    filters_hz: (
        tuple[Annotated[FrequencyDifferenceHz, AfterValidator(between(0.1, 1e9, "Hz"))], ...] | None
    ) = Field(default=None, alias="filters")
    """The resolution bandwidths that it has, so that the plan refuses another; without it the instrument itself does."""
    noise_bandwidth: Annotated[float, AfterValidator(between(0.9, 1.6, ""))] = TYPICAL_NOISE_BANDWIDTH
    """Noise bandwidth of its filters, relative to their nominal one; 1.09, between those of usual filters (1.05 to 1.13), where none is
    stated."""
    sweep_factor: Annotated[float, AfterValidator(between(1e-4, 10.0, ""))] = USUAL_SWEEP_FACTOR
    """How long a sweep takes: this times its span over the square of its resolution bandwidth; 2.5, that of ordinary filters, where none
    is stated, and far less where it reckons its filters (FFT)."""
    phase_noise_db: Annotated[RatioDb, AfterValidator(between(-200.0, -40.0, "dB"))] | None = None
    """Noise of its own oscillator, 10 kHz beside a carrier, dBc in 1 Hz."""
    accuracy: SpectrumAnalyserAccuracy = SpectrumAnalyserAccuracy.unstated()
    """What it may be wrong by."""


class TemperatureRange(FileModel):
    """From and to, for a chamber."""

    min_c: Annotated[TemperatureC, AfterValidator(between(-90.0, 200.0, "°C"))]
    """The coldest it may be set to."""
    max_c: Annotated[TemperatureC, AfterValidator(between(-90.0, 200.0, "°C"))]
    """The warmest it may be set to."""

    @model_validator(mode="after")
    def _in_order(self) -> "TemperatureRange":
        if self.min_c >= self.max_c:
            raise FieldProblem(
                f"min {self.min_c:g} °C is not below max {self.max_c:g} °C",
                at=("min",),
                allowed="min below max",
            )
        return self


class Chamber(Instrument):
    """A climatic chamber in which the unit stands."""

    role: Literal["chamber"]
    """What it does on this bench; need not be written where the entry is named after it."""
    temperature: TemperatureRange
    """What it may be set to."""
    tolerance_c: Annotated[TemperatureC, AfterValidator(between(0.1, 10.0, "°C"))] = Field(
        default=2.0, alias="tolerance"
    )
    """How far its air, and a sensor on the unit, may read from what is asked; 2 °C either way is customary, no source."""
    soak_s: Annotated[TimeS, AfterValidator(between(1.0, 86400.0, "s"))] = Field(default=3600.0, alias="soak")
    """How long it must have stood there before anything is measured: an hour is customary, from memory."""
    reached_after_s: Annotated[TimeS, AfterValidator(between(1.0, 86400.0, "s"))] = Field(
        default=900.0, alias="reached_after"
    )
    """About how long its air, and the unit where a sensor is on it, take to another temperature: for forecasts."""
    given_up_after_s: Annotated[TimeS, AfterValidator(between(1.0, 86400.0, "s"))] = Field(
        default=7200.0, alias="given_up_after"
    )
    """After how long a temperature that it does not reach is given up."""


ROLE_MODELS: Mapping[str, type[Instrument]] = {
    "signal_generator": SignalGenerator,
    "power_meter": PowerMeter,
    "modulation_analyser": ModulationAnalyser,
    "audio_analyser": AudioAnalyser,
    "voltmeter": Voltmeter,
    "supply": Supply,
    "switch": Switch,
    "radio": Radio,
    "spectrum_analyser": SpectrumAnalyser,
    "chamber": Chamber,
}
ROLES = tuple(ROLE_MODELS)


class EntryModels(Mapping[str, tuple[type[Instrument], ...]]):
    """Driver to the models of its entries, one a role; each is made when it is first asked for: a bench needs a few of some thirty."""

    def __init__(self) -> None:
        self._makers: dict[str, Mapping[str, Callable[[], type[Instrument]]]] = {}

    def put(self, driver: str, makers: Mapping[str, Callable[[], type[Instrument]]]) -> None:
        """Say what makes the models of ``driver``, by role; each is called as often as its model is asked for."""
        self._makers[driver] = makers

    def of(self, driver: str, role: str) -> "type[Instrument] | None":
        """Return the model of an entry of ``role`` with ``driver``; None where there is none."""
        make = self._makers[driver].get(role)
        return None if make is None else make()

    @override
    def __getitem__(self, driver: str) -> "tuple[type[Instrument], ...]":
        return tuple(make() for make in self._makers[driver].values())

    @override
    def __iter__(self) -> Iterator[str]:
        return iter(self._makers)

    @override
    def __len__(self) -> int:
        return len(self._makers)


ENTRIES = EntryModels()
"""The models that `sequencer.inputs.bench_parts.instruments` makes; `INSTALLED` stands for every driver of a package."""


def role_of(model: type[Instrument]) -> str:
    """Return the role that ``model`` is the entry of; empty for what serves several."""
    field = model.model_fields.get("role")
    inner = get_args(field.annotation) if field is not None else ()
    return str(inner[0]) if inner else ""


def called(role: str) -> str:
    """Return a role as a sentence says it: `a power meter`."""
    return f"{'an' if role[:1] in 'aeiou' else 'a'} {role.replace('_', ' ')}"
