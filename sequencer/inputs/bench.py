"""The bench file: instruments, RF paths, accuracies and protection limits, as frozen models.

Accuracies are half-widths of a rectangular distribution unless their description says otherwise; path uncertainties are
expanded (k = 2), as a cable's calibration states them.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Discriminator, Field, Tag, field_validator, model_validator

from sequencer.files.fields import (
    CurrentA,
    FileModel,
    FrequencyHz,
    LevelDbm,
    Percent,
    PowerW,
    Ppm,
    RatioDb,
    TimeS,
    VoltageV,
    at_least,
    between,
)
from sequencer.inputs.bench_drivers import complete_unlinked, driver_problems
from sequencer.inputs.loss_table import PRINTABLE, LossDb
from sequencer.problems import FieldProblem, FieldProblems, did_you_mean, listed

ROLES = (
    "signal_generator",
    "power_meter",
    "modulation_analyser",
    "audio_analyser",
    "voltmeter",
    "supply",
    "switch",
    "radio",
)

INTERFERER = "interferer"
"""The name that makes an entry the second signal generator, wherever it stands; without it the second in the file is."""

Vswr = Annotated[float, AfterValidator(between(1.0, 100.0, ""))]
HalfWidthDb = Annotated[RatioDb, AfterValidator(at_least(0.0, "dB"))]
HalfWidthPpm = Annotated[Ppm, AfterValidator(at_least(0.0, "ppm"))]
HalfWidthPercent = Annotated[Percent, AfterValidator(between(0.0, 100.0, "%"))]


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


class Accuracy(FileModel):
    """What an instrument may be wrong by: half-widths, rectangular."""

    level_db: HalfWidthDb = 0.0
    """Level of a signal generator."""
    frequency_ppm: HalfWidthPpm = 0.0
    """Frequency of a generator or an analyser (its reference)."""
    power_percent: HalfWidthPercent = 0.0
    """Power, of the reading."""
    linearity_db: HalfWidthDb | None = None
    """Power meter: the difference of two of its levels; without it the power's accuracy stands for it."""
    deviation_percent: HalfWidthPercent = 0.0
    """Peak deviation, of the reading."""
    sinad_db: HalfWidthDb = 0.0
    """SINAD."""
    voltage_percent: HalfWidthPercent = 0.0
    """Voltage, of the reading."""
    current_percent: HalfWidthPercent = 0.0
    """Current, of the reading."""


class Instrument(FileModel):
    """What every instrument's entry says."""

    role: str
    """What it does on this bench; need not be written where the entry is named after its role."""
    address: str
    """VISA resource, such as TCPIP0::192.0.2.11::5025::SOCKET; for `driver: text` also a serial device. An operator needs none."""
    driver: str = "profile"
    """`profile` (spoken to in the words of its command profile), `operator` (set and read by a person at a prompt), `text` (a radio on
    a line of text), or a driver from an installed package."""
    dial: Literal["", "dBm", "uV emf", "uV pd", "W", "V", "S units"] = ""
    """Operator only: the unit on the dial. Signal generator: dBm, uV emf, uV pd; power meter: W, dBm; voltmeter: V, S units."""
    s9_v: VoltageV | None = Field(default=None, alias="s9")
    """Dial in S units only: the voltage that stands for S9, as the sequence's target for S9 says it."""
    s_unit_v: VoltageV | None = Field(default=None, alias="s_unit")
    """Dial in S units only: volts that stand for one S-unit; without it a ninth of s9."""
    ptt: Literal["command", "rts", "dtr"] = "command"
    """Text radio only: what keys it, the profile's key command or a line of the serial port."""
    ptt_sense: Literal["cts", "dsr", "cd"] | None = None
    """Text radio only: the line of the serial port that senses the key, if one is wired."""
    profile: str = "scpi-1999"
    """A shipped command profile, or the path of your own (relative to the bench file)."""
    timeout_s: Annotated[TimeS, AfterValidator(between(0.05, 60.0, "s"))] = 2.0
    """How long an answer may take."""
    settle_s: TimeS = 0.0
    """How long to wait after a setting, where the instrument cannot say that it has settled."""
    accuracy: Accuracy = Accuracy()
    """What it may be wrong by."""
    vswr: Vswr = 1.0
    """Match of its RF connector; 1 is perfect and adds no uncertainty."""
    calibration: Calibration | None = None
    """The certificate its accuracy rests on."""

    @field_validator("address")
    @classmethod
    def _is_an_address(cls, address: str) -> str:
        if not address.strip() or any(ord(character) < 33 for character in address):
            raise FieldProblem(
                f"{address!r} is not a VISA resource",
                allowed="such as TCPIP0::192.0.2.11::5025::SOCKET, TCPIP0::192.0.2.11::hislip0::INSTR",
            )
        return address

    @model_validator(mode="after")
    def _suits_its_driver(self) -> Instrument:
        if problems := list(driver_problems(self)):
            raise FieldProblems(problems)
        return self

    @property
    def manual(self) -> bool:
        """Whether a person sets or reads it: few readings then, and none longer than a look."""
        return self.driver == "operator"


class SignalGenerator(Instrument):
    """An RF signal generator."""

    role: Literal["signal_generator"]
    level: LevelRange
    """What it can be set to, at its own connector."""


class PowerMeter(Instrument):
    """An RF power meter."""

    role: Literal["power_meter"]
    max_power_w: PowerW | None = None
    """The most its sensor may be given."""


class Supply(Instrument):
    """A DC supply that feeds the unit."""

    role: Literal["supply"]
    max_voltage_v: VoltageV = 16.0
    """The most it may be set to."""


class OtherInstrument(Instrument):
    """An instrument whose entry needs nothing of its own."""

    @field_validator("role")
    @classmethod
    def _is_a_role(cls, role: str) -> str:
        if role not in ROLES:
            raise FieldProblem(
                f"'{role}' is not a role", allowed=listed(ROLES), hint=did_you_mean(role, ROLES)
            )
        return role


def _kind(entry: Any) -> str:
    role = entry.get("role") if isinstance(entry, Mapping) else getattr(entry, "role", None)
    return role if role in ("signal_generator", "power_meter", "supply") else "other"


AnyInstrument = Annotated[
    Annotated[SignalGenerator, Tag("signal_generator")]
    | Annotated[PowerMeter, Tag("power_meter")]
    | Annotated[Supply, Tag("supply")]
    | Annotated[OtherInstrument, Tag("other")],
    Discriminator(_kind),
]


class RfPath(FileModel):
    """A path between the unit's antenna connector and the instruments."""

    loss_or_table: (
        Mapping[FrequencyHz, LossDb] | Annotated[str, Field(min_length=1, max_length=300, pattern=PRINTABLE)]
    ) = Field(alias="loss")
    """Loss at one or more frequencies (interpolated between, the nearest beyond them), or a table that `path_loss` wrote."""
    uncertainty_db: HalfWidthDb = 0.1
    """Expanded uncertainty (k = 2) of the loss; without it that of the table, if there is one."""
    unit_vswr: Vswr = 1.0
    """Match of the unit's antenna connector."""

    @field_validator("loss_or_table")
    @classmethod
    def _not_empty(cls, loss: Mapping[float, float] | str) -> Mapping[float, float] | str:
        if isinstance(loss, str):
            return loss
        if not loss:
            raise FieldProblem("no loss is given", allowed="at least one, such as {27 MHz: 0.42 dB}")
        return dict(sorted(loss.items()))

    @property
    def table(self) -> str | None:
        """The loss table it names and that was not put in yet, if it names one."""
        return self.loss_or_table if isinstance(self.loss_or_table, str) else None

    @property
    def loss(self) -> Mapping[float, float]:
        """Loss by frequency, dB by Hz. `load_bench` has put a named table in."""
        assert not isinstance(self.loss_or_table, str), f"the loss table {self.loss_or_table} was not read"
        return self.loss_or_table

    def loss_db(self, frequency_hz: float) -> float:
        """Return the loss at ``frequency_hz``, dB, interpolated over the logarithm of frequency."""
        points = list(self.loss.items())
        if frequency_hz <= points[0][0]:
            return points[0][1]
        for (low_hz, low_db), (high_hz, high_db) in itertools.pairwise(points):
            if frequency_hz <= high_hz:
                share = math.log(frequency_hz / low_hz) / math.log(high_hz / low_hz)
                return low_db + share * (high_db - low_db)
        return points[-1][1]


class TransmitPath(RfPath):
    """The path from the unit's antenna connector through load or pad to the meters."""

    rating_w: PowerW
    """The most power the load or pad may be given."""


class Paths(FileModel):
    """Both RF paths."""

    receive: RfPath | None = None
    """Generator to unit."""
    transmit: TransmitPath | None = None
    """Unit to load and meters."""


class Protection(FileModel):
    """Limits that nothing the tool does may pass."""

    max_key_time_s: Annotated[TimeS, AfterValidator(between(0.5, 600.0, "s"))] = 20.0
    """Longest time the unit may be keyed in one go."""
    key_duty_percent: Annotated[Percent, AfterValidator(between(1.0, 100.0, "%"))] = Field(
        default=50.0, alias="key_duty"
    )
    """Key-down time over all time, once keyed."""
    max_receiver_input_dbm: LevelDbm = 0.0
    """Highest level at the unit's antenna connector."""
    max_supply_current_a: CurrentA = 6.0
    """Current limit of the supply."""


class S9Levels(FileModel):
    """What stands for S9 here: IARU Region 1 Technical Recommendation R.1, unless said otherwise."""

    hf_dbm: LevelDbm = -73.0
    """Below 30 MHz."""
    vhf_dbm: LevelDbm = -93.0
    """From 30 MHz on."""

    def at(self, frequency_hz: float) -> float:
        """Return the level of S9 at ``frequency_hz``, dBm."""
        return self.hf_dbm if frequency_hz < 30e6 else self.vhf_dbm


class BenchFile(FileModel):
    """A bench: the connected instruments, RF paths, accuracies and protection limits."""

    bench: str = Field(min_length=1, max_length=100)
    """The bench's name, as it stands on the results."""
    visa: str = "py"
    """`py` (sockets, HiSLIP, VXI-11 without a vendor's library), `sim` (the simulated bench), or the path of a VISA library."""
    unit: str | None = None
    """Simulated bench only: the specimen file on the bench, or a folder of specimens from which the serial chooses."""
    clock: Literal["virtual", "real"] = "virtual"
    """Simulated bench only: time that passes at once, or real time."""
    seed: Annotated[int, AfterValidator(between(0, 2**32 - 1, ""))] = 1
    """Simulated bench only: the same seed gives the same run."""
    instruments: Mapping[str, AnyInstrument]
    """The connected instruments, each under its role's name or a name of its own with `role`."""
    paths: Paths = Paths()
    """The RF paths."""
    protection: Protection = Protection()
    """Limits that nothing the tool does may pass."""
    s9: S9Levels = S9Levels()
    """The levels that stand for S9, where a check's own limits do not name one."""

    @classmethod
    def model_validate_json(cls, json_data: str | bytes | bytearray, **how: Any) -> BenchFile:
        """Read a bench; an entry named after a role need not repeat it.

        Done on the text because a "before" validator would turn strict JSON into strict Python, which takes no text for a date.
        """
        entries = json.loads(json_data)
        instruments = entries.get("instruments") if isinstance(entries, dict) else None
        if isinstance(instruments, dict):
            for name, entry in instruments.items():
                if isinstance(entry, dict):
                    entry.setdefault("role", name)
                    complete_unlinked(name, entry)
        return super().model_validate_json(json.dumps(entries), **how)

    @model_validator(mode="after")
    def _makes_sense(self) -> BenchFile:
        problems = list(self._address_problems())
        if self.visa == "sim" and self.unit is None:
            problems.append(
                FieldProblem(
                    "a simulated bench needs 'unit', the specimen that lies on it",
                    at=("visa",),
                    allowed="unit: units/m40-0007.yaml, or a folder of specimens",
                )
            )
        if self.visa != "sim" and self.unit is not None:
            problems.append(
                FieldProblem(
                    "'unit' is for a simulated bench only", at=("unit",), allowed="visa: sim, or no 'unit'"
                )
            )
        if problems:
            raise FieldProblems(problems)
        return self

    def _address_problems(self) -> list[FieldProblem]:
        first: dict[str, str] = {}
        problems = []
        for name, entry in self.instruments.items():
            key = entry.address.upper()
            if key in first:
                problems.append(
                    FieldProblem(
                        f"{name} has the address of {first[key]}",
                        at=("instruments", name, "address"),
                        allowed="one address for each instrument",
                    )
                )
            first.setdefault(key, name)
        return problems

    def with_role(self, role: str) -> tuple[str, Instrument] | None:
        """Return the name and entry of the first instrument in ``role``, or None."""
        return next(iter(self.all_with_role(role)), None)

    def all_with_role(self, role: str) -> list[tuple[str, Instrument]]:
        """Return names and entries of all instruments in ``role`` in the file's order; one named interferer is the last."""
        found = [(name, entry) for name, entry in self.instruments.items() if entry.role == role]
        return sorted(found, key=lambda named: named[0] == INTERFERER)

    @property
    def roles(self) -> frozenset[str]:
        """The roles that are filled."""
        return frozenset(entry.role for entry in self.instruments.values())

    @property
    def simulated(self) -> bool:
        """Say whether its instruments are simulated."""
        return self.visa == "sim"


def relative_to(file: Path, other: str) -> Path:
    """Return the path ``other`` as a file at ``file`` means it: absolute, or beside that file."""
    return Path(other) if Path(other).is_absolute() else file.parent / other
