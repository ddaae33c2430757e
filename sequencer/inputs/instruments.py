"""The entries of a bench file's `instruments`: one model for each role and driver, with the keys that those two use.

What a role needs of the bench (a generator's range, a meter's rating, its accuracy) is in the role's model; what reaching it needs (an
address, a person's dial, a push-to-talk line) is in the driver's. An entry is read as both together; `ENTRIES` lists them all.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union, get_args

from pydantic import (
    AfterValidator,
    ConfigDict,
    Discriminator,
    PrivateAttr,
    Tag,
    create_model,
    field_validator,
    model_validator,
)
from typing_extensions import override

from drivers.registry import driver_names
from sequencer.files.fields import FileModel, LevelDbm, PowerW, TimeS, VoltageV, between
from sequencer.inputs.accuracy import (
    AudioAnalyserAccuracy,
    GeneratorAccuracy,
    ModulationAnalyserAccuracy,
    PowerMeterAccuracy,
    SupplyAccuracy,
    VoltmeterAccuracy,
    keys_of,
)
from sequencer.problems import FieldProblem, FieldProblems, did_you_mean, listed

OWN_DRIVERS = ("profile", "operator", "text")
ROLES_READ_KEYED = ("power_meter", "modulation_analyser", "audio_analyser", "supply")
"""The roles that are set or read on the transmit side."""
OPERATOR_COUNTS_FOR_S = 0.1
"""What an operator instrument that is never read keyed counts for where key-down times are added up, s."""

Vswr = Annotated[float, AfterValidator(between(1.0, 100.0, ""))]
AnswerTimeS = Annotated[TimeS, AfterValidator(between(0.05, 60.0, "s"))]


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
    def _in_order(self) -> LevelRange:
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
        return isinstance(self, ByHand)

    @property
    def settling_s(self) -> float:
        """How long to wait after a setting, s; 0 where its driver does not wait by the clock."""
        return self.settle_s if isinstance(self, Settling) else 0.0

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


# -- what a role needs of the bench -----------------------------------------------------------------------------------


class Matched(Instrument):
    """An instrument whose RF connector stands in budgets."""

    vswr: Vswr = 1.0
    """Match of its RF connector; 1 is perfect and adds no uncertainty."""


class SignalGenerator(Matched):
    """An RF signal generator."""

    role: Literal["signal_generator"]
    """What it does on this bench; need not be written where the entry is named after it."""
    level: LevelRange
    """What it can be set to, at its own connector."""
    accuracy: GeneratorAccuracy = GeneratorAccuracy()
    """What it may be wrong by."""


class PowerMeter(Matched):
    """An RF power meter."""

    role: Literal["power_meter"]
    """What it does on this bench; need not be written where the entry is named after it."""
    max_power_w: PowerW | None = None
    """The most its sensor may be given; 100 mW, what ordinary sensors take (common practice), where none is stated."""
    accuracy: PowerMeterAccuracy = PowerMeterAccuracy()
    """What it may be wrong by."""


class ModulationAnalyser(Instrument):
    """A modulation analyser."""

    role: Literal["modulation_analyser"]
    """What it does on this bench; need not be written where the entry is named after it."""
    accuracy: ModulationAnalyserAccuracy = ModulationAnalyserAccuracy()
    """What it may be wrong by."""


class AudioAnalyser(Instrument):
    """An audio source and an audio analyser."""

    role: Literal["audio_analyser"]
    """What it does on this bench; need not be written where the entry is named after it."""
    accuracy: AudioAnalyserAccuracy = AudioAnalyserAccuracy()
    """What it may be wrong by."""


class Voltmeter(Instrument):
    """A voltmeter on the signal-meter line."""

    role: Literal["voltmeter"]
    """What it does on this bench; need not be written where the entry is named after it."""
    accuracy: VoltmeterAccuracy = VoltmeterAccuracy()
    """What it may be wrong by."""


class Supply(Instrument):
    """A DC supply that feeds the unit."""

    role: Literal["supply"]
    """What it does on this bench; need not be written where the entry is named after it."""
    max_voltage_v: VoltageV = 16.0
    """The most it may be set to."""
    accuracy: SupplyAccuracy = SupplyAccuracy()
    """What it may be wrong by."""


class Switch(Instrument):
    """An RF switch between the receive path and the transmit path."""

    role: Literal["switch"]
    """What it does on this bench; need not be written where the entry is named after it."""


class Radio(Instrument):
    """The unit's own controls: channel, mode, push-to-talk."""

    role: Literal["radio"]
    """What it does on this bench; need not be written where the entry is named after it."""


ROLE_MODELS: Mapping[str, type[Instrument]] = {
    "signal_generator": SignalGenerator,
    "power_meter": PowerMeter,
    "modulation_analyser": ModulationAnalyser,
    "audio_analyser": AudioAnalyser,
    "voltmeter": Voltmeter,
    "supply": Supply,
    "switch": Switch,
    "radio": Radio,
}
ROLES = tuple(ROLE_MODELS)

# -- what reaching it needs -------------------------------------------------------------------------------------------


class Linked(Instrument):
    """An instrument that answers at an address."""

    address: str
    """VISA resource, such as TCPIP0::192.0.2.11::5025::SOCKET."""
    profile: str = "scpi-1999"
    """A shipped command profile, or the path of your own (relative to the bench file)."""
    timeout_s: AnswerTimeS = 2.0
    """How long an answer may take."""

    @field_validator("address")
    @classmethod
    def _is_an_address(cls, address: str) -> str:
        if not address.strip() or any(ord(character) < 33 for character in address):
            raise FieldProblem(
                f"{address!r} is not a VISA resource",
                allowed="such as TCPIP0::192.0.2.11::5025::SOCKET, TCPIP0::192.0.2.11::hislip0::INSTR",
            )
        return address


class Settling(Instrument):
    """An instrument that is waited for after a setting."""

    settle_s: TimeS = 0.0
    """How long to wait after a setting, beside what the instrument itself says of having settled."""


class Profiled(Linked):
    """An instrument spoken to in the words of a command profile."""

    driver: Literal["profile"] = "profile"
    """Spoken to in the words of its command profile."""


class Installed(Linked, Settling):
    """An instrument whose driver comes from an installed package; which of the keys it uses, its own pages say."""

    driver: str
    """The name of the package's entry point."""

    @field_validator("driver")
    @classmethod
    def _is_installed(cls, driver: str) -> str:
        if driver in (names := driver_names()) and driver not in OWN_DRIVERS:
            return driver
        if driver == "text":
            raise FieldProblem("'driver: text' drives a radio only", allowed="profile or operator")
        raise FieldProblem(
            f"there is no driver '{driver}'", allowed=listed(names), hint=did_you_mean(driver, names)
        )


class ByHand(Instrument):
    """An instrument that a person sets or reads at a prompt."""

    driver: Literal["operator"]
    """Set and read by a person at a prompt."""

    @property
    def address(self) -> str:
        """A name that is nobody's address."""
        return f"TCPIP0::{re.sub('[^A-Za-z0-9-]', '-', self._name or self.role)}.operator.invalid::1::SOCKET"

    @property
    def profile(self) -> str:
        """What the simulated instrument beside the person is spoken to in."""
        return "scpi-1999"


class AskedUnkeyed(ByHand):
    """An instrument that nobody is asked for while the bench keeps the unit keyed."""

    @property
    def timeout_s(self) -> float:
        """What it counts for where key-down times are added up, s."""
        return OPERATOR_COUNTS_FOR_S


class AskedKeyed(ByHand):
    """An instrument that is set or read on the transmit side."""

    timeout_s: AnswerTimeS = 10.0
    """How long a person may take to answer while the bench keeps the unit keyed."""


class OperatorSignalGenerator(AskedUnkeyed, Settling, SignalGenerator):
    """A signal generator that a person turns."""

    dial: Literal["dBm", "uV emf", "uV pd"] = "dBm"
    """The unit on its dial."""


class OperatorPowerMeter(AskedKeyed, PowerMeter):
    """A power meter that a person reads."""

    dial: Literal["W", "dBm"] = "W"
    """The unit on its dial."""


class OperatorVoltmeter(AskedUnkeyed, Voltmeter):
    """A voltmeter, or the unit's own signal meter, that a person reads."""

    dial: Literal["V", "S units"] = "V"
    """The unit on its dial."""
    s9_v: VoltageV | None = None
    """Dial in S units only: the voltage that stands for S9, as the sequence's target for S9 says it."""
    s_unit_v: VoltageV | None = None
    """Dial in S units only: volts that stand for one S-unit; without it a ninth of s9."""

    @model_validator(mode="after")
    def _dial_makes_sense(self) -> OperatorVoltmeter:
        if problems := list(self._dial_problems()):
            raise FieldProblems(problems)
        return self

    def _dial_problems(self) -> Iterator[FieldProblem]:
        if self.dial == "S units" and self.s9_v is None:
            yield FieldProblem(
                "a dial in S units needs 's9', the voltage that stands for S9",
                at=("dial",),
                allowed="the same voltage as the sequence's target, such as s9: 2.25 V",
            )
        for key, volts in (("s9", self.s9_v), ("s_unit", self.s_unit_v)):
            if volts is not None and self.dial != "S units":
                yield FieldProblem(
                    f"'{key}' is for a dial in S units only", at=(key,), allowed="dial: S units"
                )
            if volts == 0:
                yield FieldProblem(f"'{key}' is 0 V", at=(key,), allowed="a voltage other than 0")


class TextRadio(Linked, Radio):
    """A radio that is controlled by lines of text on a serial port or a socket."""

    driver: Literal["text"]
    """Controlled by lines of text."""
    address: str
    """A serial device such as /dev/ttyUSB0 or COM3, or a VISA resource: ASRL/dev/ttyUSB0::INSTR, TCPIP::host::port::SOCKET."""
    ptt: Literal["command", "rts", "dtr"] = "command"
    """What works its push-to-talk (PTT): the profile's key command, or a line of the serial port."""
    ptt_sense: Literal["cts", "dsr", "cd"] | None = None
    """The line of the serial port that senses push-to-talk (PTT), if one is wired."""

    @field_validator("address")
    @classmethod
    def _is_a_line(cls, written: str) -> str:
        address = written
        if "::" not in written and written.strip():
            # A serial device's path or name becomes the VISA resource of the same port, so that one port has one address.
            port = re.fullmatch(r"COM(\d+)", written.strip(), re.IGNORECASE)
            address = f"ASRL{port[1] if port else written.strip()}::INSTR"
        if not re.match(r"ASRL|TCPIP\d*::[^:]+::\d+::SOCKET$", address, re.IGNORECASE):
            raise FieldProblem(
                f"'{address}' is no line of text",
                allowed="ASRL/dev/ttyUSB0::INSTR, a device such as /dev/ttyUSB0 or COM3, or TCPIP::host::port::SOCKET",
            )
        return address

    @model_validator(mode="after")
    def _has_the_lines(self) -> TextRadio:
        if self.address.upper().endswith("::SOCKET"):
            for key, line in (("ptt", self.ptt), ("ptt_sense", self.ptt_sense)):
                if line not in ("command", None):
                    raise FieldProblem(
                        f"a socket has no control lines, so '{key}' cannot be {line}",
                        at=(key,),
                        allowed="ptt: command, or the serial port itself",
                    )
        return self


# -- both together ------------------------------------------------------------------------------------------------


def _entry(name: str, doc: str, *bases: type[Instrument]) -> type[Instrument]:
    return create_model(name, __base__=bases, __doc__=doc, __module__=__name__)


def _profiled(role: str, model: type[Instrument]) -> type[Instrument]:
    waits = (Settling,) if role in ("signal_generator", "switch") else ()
    return _entry(f"Profiled{model.__name__}", model.__doc__ or "", Profiled, *waits, model)


def _installed(model: type[Instrument]) -> type[Instrument]:
    return _entry(f"Installed{model.__name__}", model.__doc__ or "", Installed, model)


def _operated(role: str, model: type[Instrument]) -> type[Instrument]:
    asked = AskedKeyed if role in ROLES_READ_KEYED else AskedUnkeyed
    return _entry(f"Operator{model.__name__}", model.__doc__ or "", asked, model)


_OPERATED: Mapping[str, type[Instrument]] = {
    "signal_generator": OperatorSignalGenerator,
    "power_meter": OperatorPowerMeter,
    "voltmeter": OperatorVoltmeter,
}
INSTALLED = "installed"
ENTRIES: Mapping[str, tuple[type[Instrument], ...]] = {
    "profile": tuple(_profiled(role, model) for role, model in ROLE_MODELS.items()),
    "operator": tuple(_OPERATED.get(role) or _operated(role, model) for role, model in ROLE_MODELS.items()),
    "text": (TextRadio,),
    INSTALLED: tuple(map(_installed, ROLE_MODELS.values())),
}
"""Driver to the models of its entries; `INSTALLED` stands for every driver of an installed package."""


def role_of(model: type[Instrument]) -> str:
    """Return the role that ``model`` is the entry of; empty for what serves several."""
    field = model.model_fields.get("role")
    inner = get_args(field.annotation) if field is not None else ()
    return str(inner[0]) if inner else ""


def called(role: str) -> str:
    """Return a role as a sentence says it: `a power meter`."""
    return f"{'an' if role[:1] in 'aeiou' else 'a'} {role.replace('_', ' ')}"


class AnyEntry(Instrument):
    """What every entry says, whatever its role and driver."""

    role: str
    """What it does on this bench; need not be written where the entry is named after its role."""
    driver: Any = "profile"
    """`profile` (spoken to in the words of its command profile), `operator` (set and read by a person at a prompt), `text` (a radio on
    a line of text), or a driver from an installed package."""


class UnknownRole(AnyEntry):
    """An entry of which nothing can be said because its role is not one."""

    model_config = ConfigDict(extra="ignore")
    calibration: Any = None

    @field_validator("role")
    @classmethod
    def _is_a_role(cls, role: str) -> str:
        raise FieldProblem(f"'{role}' is not a role", allowed=listed(ROLES), hint=did_you_mean(role, ROLES))


def _kind(entry: Any) -> str:
    """Return the name of the model that an entry is read as: by its role, then by its driver."""
    if not isinstance(entry, Mapping):
        return type(entry).__name__ if isinstance(entry, Instrument) else UnknownRole.__name__
    driver = entry.get("driver", "profile")
    wanted = driver if isinstance(driver, str) and driver in ENTRIES else INSTALLED
    for way in (wanted if isinstance(driver, str) else "profile", INSTALLED):
        for model in ENTRIES[way]:
            if role_of(model) == entry.get("role"):
                return model.__name__
    return UnknownRole.__name__


if TYPE_CHECKING:
    AnyInstrument = Instrument
else:
    _MODELS = (*(one for models in ENTRIES.values() for one in models), UnknownRole)
    AnyInstrument = Annotated[
        Union[tuple(Annotated[one, Tag(one.__name__)] for one in _MODELS)],  # noqa: UP007 - made at run time
        Discriminator(_kind),
    ]
