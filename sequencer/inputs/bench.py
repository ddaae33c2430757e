"""The bench file: instruments, RF paths, accuracies and protection limits, as frozen models.

Accuracies are half-widths of a rectangular distribution unless their description says otherwise; path uncertainties are
expanded (k = 2), as a cable's calibration states them.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, overload

from pydantic import AfterValidator, Field, model_validator

from sequencer.files.fields import (
    CurrentA,
    FileModel,
    LevelDbm,
    Percent,
    TimeS,
    between,
)
from sequencer.inputs.bench_parts.bench_health import GoldenUnit, OwnCheck, WarnOrRefuse, Worn
from sequencer.inputs.bench_parts.connections import Connections
from sequencer.inputs.bench_parts.instrument_roles import (
    AudioAnalyser,
    Chamber,
    Instrument,
    ModulationAnalyser,
    PowerMeter,
    Radio,
    SignalGenerator,
    SpectrumAnalyser,
    Supply,
    Switch,
    Voltmeter,
)
from sequencer.inputs.bench_parts.paths import Made, Paths
from sequencer.inputs.bench_parts.visa_resource import RESOURCE_ALLOWED, is_resource
from sequencer.problems import FieldProblem, FieldProblems
from sequencer.units.convert import dbm_from_w

ConnectionPercent = Annotated[Percent, AfterValidator(between(0.0, 20.0, "%"))]
INTERFERER = "interferer"
"""The name that makes an entry the second signal generator, wherever it stands; without it the second in the file is."""


class Lead(FileModel):
    """A lead that is moved from unit to unit."""

    connection_repeatability_percent: ConnectionPercent
    """Standard deviation of what making its connections anew changes, percent of the voltage that it carries."""
    connections_made: Made | None = None
    """How many times the connection was made when its repeatability was worked out; without it it is taken as well known."""


class Leads(FileModel):
    """The leads to the unit that carry no RF."""

    audio: Lead | None = None
    """Audio source to microphone input, and loudspeaker output to audio analyser."""
    supply: Lead | None = None
    """Supply to unit: its contacts take some of the voltage."""


class Protection(FileModel):
    """Limits that nothing the tool does may pass."""

    max_key_time_s: Annotated[TimeS, AfterValidator(between(0.5, 600.0, "s"))] = 20.0
    """Longest time the unit may transmit in one go."""
    key_duty_percent: Annotated[Percent, AfterValidator(between(1.0, 100.0, "%"))] = Field(
        default=50.0, alias="key_duty"
    )
    """Share of the time that the unit may transmit, once it has transmitted."""
    max_receiver_input_dbm: Annotated[LevelDbm, AfterValidator(between(-150.0, 50.0, "dBm"))] = 0.0
    """Highest level at the unit's antenna connector."""
    max_supply_current_a: Annotated[CurrentA, AfterValidator(between(1e-3, 200.0, "A"))] = 6.0
    """Current limit of the supply."""


MeterLevelDbm = Annotated[LevelDbm, AfterValidator(between(-150.0, 0.0, "dBm"))]


class S9Levels(FileModel):
    """What stands for S9 here: IARU Region 1 Technical Recommendation R.1, unless said otherwise."""

    hf_dbm: MeterLevelDbm = -73.0
    """Below 30 MHz."""
    vhf_dbm: MeterLevelDbm = -93.0
    """From 30 MHz on."""

    def at(self, frequency_hz: float) -> float:
        """Return the level of S9 at ``frequency_hz``, dBm."""
        return self.hf_dbm if frequency_hz < 30e6 else self.vhf_dbm


class BenchFile(FileModel):
    """A bench: the connected instruments, RF paths, accuracies and protection limits."""

    # Files are read by what `sequencer.inputs.bench_models` makes of it, which knows the entries.

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
    connected: Annotated[int, AfterValidator(between(1, 2**32 - 1, ""))] = 1
    """Simulated bench only: how often the unit was connected. Another number is the same bench, with the connection made anew."""
    stated_simulated: bool = Field(default=False, alias="simulated")
    """Say that the instruments are simulated although they are reached as real ones are, as those of `sequencer simulate`. A run on
    instruments that say so themselves is marked as simulated without it."""
    instruments: Mapping[str, Instrument]
    """The connected instruments, each under its role's name or a name of its own with `role`."""
    paths: Paths = Paths.unstated()
    """The RF paths."""
    leads: Leads = Leads.unstated()
    """The other leads to the unit."""
    protection: Protection = Protection.unstated()
    """Limits that nothing the tool does may pass."""
    s9: S9Levels = S9Levels.unstated()
    """The levels that stand for S9, where a check's own limits do not name one."""
    bench_check: OwnCheck | None = None
    """The bench's check of itself: how often, and what happens to a run where it is overdue."""
    golden_unit: GoldenUnit | None = None
    """A unit that stays with the bench."""
    connections: Connections = Connections.unstated()
    """What wears with each unit, as its maker rates it: `sequencer line` counts against it."""
    calibration_overdue: WarnOrRefuse = "warn"
    """What happens to a run on an instrument whose certificate has run out."""
    worn: Worn = Worn.unstated()
    """Simulated bench only: what has changed since the bench was set up."""

    @classmethod
    def model_validate_json(cls, json_data: str | bytes | bytearray, **how: Any) -> "BenchFile":
        """Read a bench; an entry named after a role need not repeat it.

        Done on the text because a "before" validator would turn strict JSON into strict Python, which takes no text for a date.
        """
        entries = json.loads(json_data)
        instruments = entries.get("instruments") if isinstance(entries, dict) else None
        if isinstance(instruments, dict):
            for name, entry in instruments.items():
                if isinstance(entry, dict):
                    entry.setdefault("role", name)
        return super().model_validate_json(json.dumps(entries), **how)

    @model_validator(mode="after")
    def _makes_sense(self) -> "BenchFile":
        for name, entry in self.instruments.items():
            entry.take_name(name)
        problems = [*self._address_problems(), *self._identity_problems()]
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
        if self.visa != "sim" and self.worn.model_fields_set:
            problems.append(
                FieldProblem(
                    "'worn' is for a simulated bench only", at=("worn",), allowed="visa: sim, or no 'worn'"
                )
            )
        if problems:
            raise FieldProblems(problems)
        return self

    def _identity_problems(self) -> list[FieldProblem]:
        return [
            FieldProblem(
                f"a person answers for {name}, who has no identity to be asked for",
                at=("instruments", name, "identity"),
                allowed="'identity' of an instrument that is reached, or none",
            )
            for name, entry in self.instruments.items()
            if entry.manual and entry.identity is not None
        ]

    def _address_problems(self) -> list[FieldProblem]:
        first: dict[str, str] = {}
        problems = []
        for name, entry in self.instruments.items():
            # A VISA library may know other kinds, and aliases that stand in its own settings.
            if self.visa in ("py", "sim") and not is_resource(entry.address):
                problems.append(
                    FieldProblem(
                        f"{entry.address!r} is not a VISA resource",
                        at=("instruments", name, "address"),
                        allowed=RESOURCE_ALLOWED,
                    )
                )
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

    @overload
    def with_role(self, role: Literal["signal_generator"]) -> tuple[str, SignalGenerator] | None: ...
    @overload
    def with_role(self, role: Literal["power_meter"]) -> tuple[str, PowerMeter] | None: ...
    @overload
    def with_role(self, role: Literal["modulation_analyser"]) -> tuple[str, ModulationAnalyser] | None: ...
    @overload
    def with_role(self, role: Literal["audio_analyser"]) -> tuple[str, AudioAnalyser] | None: ...
    @overload
    def with_role(self, role: Literal["voltmeter"]) -> tuple[str, Voltmeter] | None: ...
    @overload
    def with_role(self, role: Literal["supply"]) -> tuple[str, Supply] | None: ...
    @overload
    def with_role(self, role: Literal["switch"]) -> tuple[str, Switch] | None: ...
    @overload
    def with_role(self, role: Literal["radio"]) -> tuple[str, Radio] | None: ...
    @overload
    def with_role(self, role: Literal["chamber"]) -> tuple[str, Chamber] | None: ...
    @overload
    def with_role(self, role: Literal["spectrum_analyser"]) -> tuple[str, SpectrumAnalyser] | None: ...
    @overload
    def with_role(self, role: str) -> tuple[str, Instrument] | None: ...
    def with_role(self, role: str) -> tuple[str, Any] | None:
        """Return the name and entry of the first instrument in ``role``, or None."""
        found = (named for named in self.instruments.items() if named[1].role == role)
        return min(found, key=lambda named: named[0] == INTERFERER, default=None)

    @overload
    def all_with_role(self, role: Literal["signal_generator"]) -> list[tuple[str, SignalGenerator]]: ...
    @overload
    def all_with_role(self, role: str) -> list[tuple[str, Instrument]]: ...
    def all_with_role(self, role: str) -> list[tuple[str, Any]]:
        """Return names and entries of all instruments in ``role`` in the file's order; one named interferer is the last."""
        found = [(name, entry) for name, entry in self.instruments.items() if entry.role == role]
        return sorted(found, key=lambda named: named[0] == INTERFERER)

    @property
    def roles(self) -> frozenset[str]:
        """The roles that are filled."""
        return frozenset(entry.role for entry in self.instruments.values())

    @property
    def simulated(self) -> bool:
        """Say whether its instruments are simulated, as far as the file tells."""
        return self.visa == "sim" or self.stated_simulated


def open_timeout_s(entry: Instrument) -> float:
    """Return how long opening its link may take, s."""
    return min(entry.timeout_s, 1.0)


def longest_release_s(radio: Instrument) -> float:
    """Return how long releasing push-to-talk can take, s: two tries, each with its error query, and the link reopened for each.

    Under one failure at a time; a dead link ends earlier and leaves room for the supply to be cut.
    """
    return 4.0 * radio.timeout_s + 4.0 * open_timeout_s(radio)


def max_meter_dbm(bench: BenchFile) -> float:
    """Return the most the power meter may be given, dBm; 20 dBm, what ordinary sensors take (common practice), where none is stated."""
    meter = bench.with_role("power_meter")
    if meter is None or meter[1].max_power_w is None:
        return 20.0
    return dbm_from_w(meter[1].max_power_w)


def check_rating_dbm(bench: BenchFile) -> float:
    """Return the most the check path may be given, dBm; without such a path what the power meter may be given."""
    path = bench.paths.check
    return max_meter_dbm(bench) if path is None else dbm_from_w(path.rating_w)


def relative_to(file: Path, other: str) -> Path:
    """Return the path ``other`` as a file at ``file`` means it: absolute, or beside that file."""
    return Path(other) if Path(other).is_absolute() else file.parent / other
