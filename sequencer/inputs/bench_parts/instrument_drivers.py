"""What reaching an instrument needs: an address and a profile, a person's dial, a push-to-talk line."""

import re
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator, model_validator
from typing_extensions import override

from drivers.registry import driver_names
from sequencer.files.fields import TimeS, VoltageV, between
from sequencer.inputs.bench_parts.instrument_roles import (
    Instrument,
    PowerMeter,
    Radio,
    SignalGenerator,
    Voltmeter,
)
from sequencer.inputs.bench_parts.visa_resource import RESOURCE_ALLOWED, with_class, wrong_host
from sequencer.problems import FieldProblem, FieldProblems, did_you_mean, listed

OWN_DRIVERS = ("profile", "operator", "text")
OPERATOR_COUNTS_FOR_S = 0.1
"""What an operator instrument that is never read keyed counts for where key-down times are added up, s."""

AnswerTimeS = Annotated[TimeS, AfterValidator(between(0.05, 60.0, "s"))]

NameOnIt = Annotated[str, Field(max_length=60, pattern=r"^[^\x00-\x1f\x7f]*$")]
DialV = Annotated[VoltageV, AfterValidator(between(-100.0, 100.0, "V"))]


# A port has 16 bits (RFC 9293, 3.1) and 0 is nobody's; a bus takes addresses 0 to 30 (IEEE 488.1; from memory).
_NUMBERS = (
    (re.compile(r"TCPIP\d*::.+::([-+]?\d+)::SOCKET", re.IGNORECASE), "port", 1, 65_535),
    (re.compile(r"GPIB\d*::([-+]?\d+)(?:::.*)?", re.IGNORECASE), "bus address", 0, 30),
)


def refuse_numbers_beyond(address: str) -> None:
    """Raise FieldProblem for a resource with a host, a port or a bus address that cannot be."""
    if host := wrong_host(address.strip()):
        raise FieldProblem(
            f"{host!r} is not an IP address",
            allowed="four numbers from 0 to 255 without leading zeros: 192.0.2.11",
        )
    for pattern, name, least, most in _NUMBERS:
        match = pattern.fullmatch(address.strip())
        if match and not least <= int(match[1]) <= most:
            raise FieldProblem(f"there is no {name} {match[1]}", allowed=f"a {name} from {least} to {most}")


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
                allowed=RESOURCE_ALLOWED,
            )
        refuse_numbers_beyond(address)
        return with_class(address)


class Settling(Instrument):
    """An instrument that is waited for after a setting."""

    settle_s: Annotated[TimeS, AfterValidator(between(0.0, 60.0, "s"))] = 0.0
    """How long to wait after a setting, beside what the instrument itself says of having settled."""

    @property
    @override
    def settling_s(self) -> float:
        return self.settle_s


class Watched(Instrument):
    """An instrument that can take the unit off the air: the unit's own controls, and its supply."""

    second_connection: bool | None = None
    """Whether it answers a second client while this program is connected: that is how the watchdog takes the unit off the air if this
    program hangs. Without it this is tried when the bench opens, where the address is on the network or the radio on a line of text.
    `false` for one that a second client disturbs."""


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
    make: NameOnIt = ""
    """Who made it, as it stands on the instrument: a dial cannot be asked. Results and reports show it."""
    model: NameOnIt = ""
    """Its model."""
    serial: NameOnIt = ""
    """Its serial number."""

    @property
    @override
    def manual(self) -> bool:
        return True

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
    """How long a person may take to answer while the bench keeps PTT pressed."""


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
    s9_v: DialV | None = None
    """Dial in S units only: the voltage that stands for S9, as the sequence's target for S9 says it."""
    s_unit_v: DialV | None = None
    """Dial in S units only: volts that stand for one S-unit; without it a ninth of s9."""

    @model_validator(mode="after")
    def _dial_makes_sense(self) -> "OperatorVoltmeter":
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


class TextRadio(Linked, Watched, Radio):
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
                f"'{address}' is not the address of a text line",
                allowed="ASRL/dev/ttyUSB0::INSTR, a device such as /dev/ttyUSB0 or COM3, or TCPIP::host::port::SOCKET",
            )
        refuse_numbers_beyond(address)
        return with_class(address)

    @model_validator(mode="after")
    def _has_the_lines(self) -> "TextRadio":
        if self.address.upper().endswith("::SOCKET"):
            for key, line in (("ptt", self.ptt), ("ptt_sense", self.ptt_sense)):
                if line not in ("command", None):
                    raise FieldProblem(
                        f"a socket has no control lines, so '{key}' cannot be {line}",
                        at=(key,),
                        allowed="ptt: command, or the serial port itself",
                    )
        return self
