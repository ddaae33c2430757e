"""What every check is made of: settings, what it needs of the bench, a procedure on one side, findings."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, ClassVar, Generic, Literal, TypeVar

from pydantic import AfterValidator, Field, model_validator

from drivers.faults import NotSettled
from drivers.operator.dial import Dial
from drivers.roles import Identity, Reading
from sequencer.files.fields import FileModel, LevelDbm, PowerW, RatioDb, at_least, between
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.channel_plan import ChannelPlan
from sequencer.problems import Complaint, FieldProblem
from sequencer.results.model import Point
from sequencer.safety.bench import ReceiveSide, TransmitSide
from sequencer.safety.loss import HandPath, LossSide
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.decision import Limits

ChannelNumber = Annotated[int, AfterValidator(between(1, 9999, ""))]
Side = Literal["receive", "transmit", "loss", "none"]


def _some(listed: tuple[Any, ...]) -> tuple[Any, ...]:
    if not listed:
        raise FieldProblem("the list is empty", allowed="at least one")
    return listed


# Not min_length: pydantic counts what is left when wrong items are taken out, and calls a list of one wrong item too short.
SOME = (AfterValidator(_some), Field(json_schema_extra={"minItems": 1}))
"""What a list that may not be empty is annotated with."""


class CheckSettings(FileModel):
    """What every check in a sequence says."""

    check: str
    """Which check this is."""
    channel: ChannelNumber | Annotated[tuple[ChannelNumber, ...], *SOME] | None = None
    """The channel, or several: the check is repeated on each."""
    mode: Literal["FM", "AM", "USB", "LSB", "CW"] | None = None
    """The emission of this check, where it is not the sequence's."""

    @property
    def channels(self) -> tuple[int | None, ...]:
        """The channels it runs on, in order; (None,) where it names none."""
        if self.channel is None or isinstance(self.channel, int):
            return (self.channel,)
        return self.channel


class PowerLimit(FileModel):
    """Limits of a power."""

    min_w: PowerW | None = None
    """Lowest power that is right."""
    max_w: PowerW | None = None
    """Highest power that is right."""

    @model_validator(mode="after")
    def _in_order(self) -> PowerLimit:
        _refuse_contradiction(self.min_w, self.max_w, "W")
        return self

    @property
    def limits(self) -> Limits:
        """The limits, W."""
        return Limits(lower=self.min_w, upper=self.max_w)


class LevelLimit(FileModel):
    """Limits of a level at the antenna connector: a lowest and a highest, or a nominal and how far from it."""

    min_dbm: LevelDbm | None = None
    """Lowest level that is right."""
    max_dbm: LevelDbm | None = None
    """Highest level that is right."""
    nominal_dbm: LevelDbm | None = None
    """The level that should be."""
    within_db: Annotated[RatioDb, AfterValidator(at_least(0.0, "dB"))] | None = None
    """How far from nominal is still right."""

    @model_validator(mode="after")
    def _one_way_of_saying_it(self) -> LevelLimit:
        if (self.nominal_dbm is None) != (self.within_db is None):
            given, missing = ("nominal", "within") if self.within_db is None else ("within", "nominal")
            raise FieldProblem(
                f"'{given}' needs '{missing}' beside it",
                at=(given,),
                allowed="nominal and within, or min and max",
            )
        if self.nominal_dbm is not None and (self.min_dbm is not None or self.max_dbm is not None):
            raise FieldProblem(
                "limits are given twice: nominal and within, and min or max",
                at=("nominal",),
                allowed="nominal and within, or min and max",
            )
        _refuse_contradiction(self.min_dbm, self.max_dbm, "dBm")
        return self

    @property
    def limits(self) -> Limits:
        """The limits, dBm."""
        if self.nominal_dbm is not None and self.within_db is not None:
            return Limits(lower=self.nominal_dbm - self.within_db, upper=self.nominal_dbm + self.within_db)
        return Limits(lower=self.min_dbm, upper=self.max_dbm)


def _refuse_contradiction(low: float | None, high: float | None, unit: str) -> None:
    if low is not None and high is not None and low > high:
        raise FieldProblem(
            f"contradictory limits: min {low:g} {unit} is above max {high:g} {unit}",
            at=("min",),
            allowed="min at or below max",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptFile:
    """A file that a check left beside the results table, and the SHA-256 of its bytes (hexadecimal)."""

    path: Path
    sha256: str


def _nowhere(name: str, content: bytes) -> KeptFile:
    raise RuntimeError("no file can be kept outside a run")


def _nobody(name: str, what: str, dial: Dial) -> tuple[Reading, str]:
    raise RuntimeError("nobody can be asked outside a run")


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What a check is told of where it stands: the bench, the channel, the mode, and whom to tell of its steps.

    ``plan`` is the sequence's channel plan, ``folder`` the folder its file stands in, ``serial`` the unit's, ``bench_folder`` that of
    the bench file (of a shipped one: where the command was given). A run fills in the rest: ``keep_file`` writes a file beside the
    results table and overwrites none; ``enter`` asks a person for a reading (its name, what to read, on which dial) and returns it
    with how it was given; ``identities`` says who answered on the bench.
    """

    bench: BenchFile
    channel: int | None
    frequency_hz: float | None
    mode: str
    plan: ChannelPlan | None = None
    serial: str = ""
    supply_v: float | None = None
    folder: Path | None = None
    bench_folder: Path | None = None
    run: str = ""
    simulated: bool = False
    identities: Mapping[str, Identity] = field(default_factory=dict)
    say: Callable[[str], None] = field(default=lambda text: None)
    keep_file: Callable[[str, bytes], KeptFile] = _nowhere
    enter: Callable[[str, str, Dial], tuple[Reading, str]] = _nobody

    @property
    def carrier_hz(self) -> float:
        """The channel's frequency; the plan has proved that a check which asks for it has one."""
        if self.frequency_hz is None:
            raise ValueError("this check was planned without a channel")
        return self.frequency_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What a check found of one quantity, before it is judged.

    ``value`` and ``limits`` in ``unit``; ``value`` None when nothing could be measured, and then ``note`` says why.
    ``exact``: a count, a word, which has no uncertainty. ``channel`` and ``frequency_hz``: where it was found, if not where the
    step stands (a frequency alone: on no channel).
    """

    quantity: str
    value: float | None
    unit: str
    exact: bool = False
    channel: int | None = None
    frequency_hz: float | None = None
    limits: Limits = field(default_factory=lambda: Limits(lower=None, upper=None))
    budget: Budget | None = None
    note: str = ""
    points: tuple[Point, ...] = ()

    @property
    def conforms(self) -> bool:
        """Say whether there is a value and it violates no limit; uncertainty is left to the decision."""
        return self.value is not None and self.limits.contains(self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """Something a check will ask of the bench, for the plan to prove before anything is sent.

    ``at`` is the path of the setting it comes from, below the check. Levels are at the antenna connector; that of an
    ``interferer`` comes from the second generator. ``refused`` says why no bench of this kind could do it, ``allowed`` what could be done.
    """

    at: tuple[str, ...] = ()
    level_dbm: float | None = None
    interferer: bool = False
    power_w: float | None = None
    refused: str = ""
    allowed: str = ""


S = TypeVar("S", bound=CheckSettings)


class Check(ABC, Generic[S]):
    """One measuring task. A subclass states its class attributes, `quantities`, and the procedure of its side; the rest has defaults."""

    name: ClassVar[str]
    summary: ClassVar[str]
    side: ClassVar[Side]
    roles: ClassVar[frozenset[str]] = frozenset()
    generators: ClassVar[int] = 1
    """How many signal generators it needs, where it needs one at all."""
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM", "USB", "LSB", "CW"})
    settings: type[S]

    def side_of(self, settings: S) -> Side:
        """Return the side it works on, for a check whose settings choose one."""
        return self.side

    def roles_of(self, settings: S) -> frozenset[str]:
        """Return the roles it needs beside those of its side, for a check whose settings choose them."""
        return self.roles

    def hand_path(self, settings: S) -> HandPath:
        """Return what is measured, for a check on the loss side."""
        return "cable"

    def start_channel(self, settings: S, conditions: Conditions) -> int | None:
        """Return the channel on which the side is entered, for a check that goes to channels by itself."""
        return None

    def demands(self, settings: S, conditions: Conditions) -> list[Demand]:
        """Return the levels and powers it may bring about, for the plan to prove."""
        return []

    def forecast_s(self, settings: S, conditions: Conditions) -> float:
        """Return about how long it takes on one channel, bench time, s; the plan adds side changes and the rests that the duty owes."""
        return 0.0 if self.side_of(settings) == "none" else 1.0

    def keyed_s(self, settings: S, conditions: Conditions) -> float:
        """Return for how much of `forecast_s` the unit is keyed, s: all of it, unless a check knows better."""
        return self.forecast_s(settings, conditions) if self.side_of(settings) == "transmit" else 0.0

    def complaints(self, settings: S, conditions: Conditions) -> list[Complaint]:
        """Return what is wrong with files it will need, for the plan to say before anything is sent."""
        return []

    def inspect(self, settings: S, conditions: Conditions) -> list[Finding]:
        """Find without any instrument, for a check that has no side."""
        raise TypeError(f"{self.name} needs a side")

    def receive(self, side: ReceiveSide, settings: S, conditions: Conditions) -> list[Finding]:
        """Measure on the receive side."""
        raise TypeError(f"{self.name} does not work on the receive side")

    def transmit(self, side: TransmitSide, settings: S, conditions: Conditions) -> list[Finding]:
        """Measure on the transmit side."""
        raise TypeError(f"{self.name} does not work on the transmit side")

    def measure_loss(self, side: LossSide, settings: S, conditions: Conditions) -> list[Finding]:
        """Measure a cable, a pad or a path with generator and power meter connected by hand."""
        raise TypeError(f"{self.name} does not work on the loss side")

    @abstractmethod
    def quantities(self, settings: S) -> tuple[tuple[str, str], ...]:
        """Return the quantities and units it reports: what the table shows when nothing could be measured."""


AnyCheck = Check[Any]


def settle(
    read: Callable[[], Reading],
    wait_s: Callable[[float], None],
    *,
    within: float,
    pause_s: float = 0.1,
    most: int = 20,
) -> list[Reading]:
    """Read until two readings in a row agree to ``within``, and return those two (or one that is no number).

    For instruments that cannot say that they have settled. Raises NotSettled after ``most`` readings.
    """
    last = read()
    for _ in range(most):
        if last.number is None:
            return [last]
        wait_s(pause_s)
        now = read()
        if now.number is not None and abs(now.number - last.number) <= within:
            return [last, now]
        last = now
    raise NotSettled(
        f"readings still differ by more than {within:g} after {most} readings",
        instrument="reading",
        address="the last instrument read",
        next_move="Look for an intermittent connection, or raise the check's own settling allowance.",
    )
