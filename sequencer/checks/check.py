"""The base of every check: what it needs of the bench, and a procedure on one side."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, ClassVar, Generic, Literal, TypeVar

from drivers.profiled.commands import Need
from sequencer.checks.finding import Conditions, Demand, Finding, MeterMark
from sequencer.checks.people import AVERAGED, person_s
from sequencer.checks.settings import CheckSettings
from sequencer.problems import Complaint
from sequencer.safety.loss import LossPath, LossSide
from sequencer.safety.receive import ReceiveSide
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.decision import Limits

Side = Literal["receive", "transmit", "loss", "none"]
SquelchPosition = Literal["open", "just closed"]
"""Where the unit's squelch stands; just closed is where noise alone is muted."""
UnitState = Literal["stage", "reference"]
"""What of the unit comes and goes by itself: how warm its output stage is, and how far its reference has run in since it was fed."""
DependsOn = frozenset[UnitState] | None

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
    squelch: ClassVar[SquelchPosition] = "open"
    """Where the unit's squelch must stand, for a check that does not want it open."""
    of_bench: ClassVar[bool] = False
    """Whether its results are of the bench itself: they stand under the bench's serial, and what fails is the bench, not the unit."""
    depends_on: ClassVar[DependsOn] = None
    waits: ClassVar[Mapping[str, float]] = {}
    """How often it waits until an instrument has settled, by role, where that is not twice; see `waits_of`."""
    """What of the unit's state its results depend on, so that `--order quickest` moves it only where that stays the same.

    Empty for none; None where nobody knows, or where a person acts on the unit: then it stays where it is, and nothing passes it.
    """
    fixes: ClassVar[frozenset[str]] = frozenset()
    """Which axes of `at` it sees to itself, so that it cannot be repeated over them."""
    limit_keys: ClassVar[Mapping[str, str]] = MappingProxyType({"": "limit"})
    """Under which key of the settings the limits of a quantity stand, by how the quantity's name begins; what begins otherwise has none
    that a file could state."""
    settings: type[S]

    def side_of(self, settings: S) -> Side:
        """Return the side it works on, for a check whose settings choose one."""
        return self.side

    def squelch_of(self, settings: S) -> SquelchPosition:
        """Return where the unit's squelch must stand, for a check whose settings choose."""
        return self.squelch

    def roles_of(self, settings: S) -> frozenset[str]:
        """Return the roles it needs beside those of its side, for a check whose settings choose them."""
        return self.roles

    def hand_path(self, settings: S) -> LossPath:
        """Return what is measured, for a check on the loss side."""
        return "cable"

    def moves_cables(self, settings: S) -> bool:
        """Say whether a person moves cables, or undoes a connector, in the middle of it."""
        return self.side_of(settings) == "loss"

    def stops_run(self, settings: S) -> bool:
        """Say whether a run stops where a check of the bench finds it wrong."""
        return False

    def limit_key(self, quantity: str) -> str:
        """Return the key of the settings under which the limits of ``quantity`` stand; empty where it brings them itself."""
        return next((key for begins, key in self.limit_keys.items() if quantity.startswith(begins)), "")

    def start_channel(self, settings: S, conditions: Conditions) -> int | None:
        """Return the channel on which the side is entered, for a check that goes to channels by itself."""
        return None

    def other_starts(self, settings: S, conditions: Conditions) -> Sequence[int]:
        """Return the channels of the plan on which the side is entered where the unit refuses the start channel."""
        return ()

    def supplies(self, settings: S) -> tuple[tuple[tuple[str | int, ...], float], ...]:
        """Return the voltages with which it feeds the unit itself, V, each after the path of its setting: the plan proves them."""
        return ()

    def demands(self, settings: S, conditions: Conditions) -> list[Demand]:
        """Return the levels and powers it may bring about, for the plan to prove."""
        return []

    def needs(self, settings: S, conditions: Conditions) -> tuple[str, ...]:
        """Return what the bench file must state for its results to have an uncertainty, as `sequencer.inputs.stated` writes needs."""
        return ()

    def commands(self, settings: S, conditions: Conditions) -> frozenset[Need]:
        """Return the commands that it uses beside those that every instrument of a role has: role, and name as in a profile.

        The plan refuses the check on a bench whose profile says that the instrument lacks one (see `sequencer.checks.shared.commands`).
        """
        return frozenset()

    def forecast_s(self, settings: S, conditions: Conditions) -> float:
        """Return about how long it takes on one channel, bench time, s; the plan adds side changes and the rests that the duty owes."""
        return 0.0 if self.side_of(settings) == "none" else 1.0

    def failing_s(self, settings: S, conditions: Conditions) -> float:
        """Return how much longer it takes on a unit that fails it, s: for what is proved before that is said."""
        return 0.0

    def waits_of(self, settings: S, conditions: Conditions) -> Mapping[str, float]:
        """Return how often it waits until an instrument has settled, by role: a generator was set, or another is read after a change.

        The plan adds as many times the bench file's `settle`. Twice, unless `waits` says otherwise; counted on the simulated bench.
        """
        return {**dict.fromkeys(self.roles_of(settings), 2.0), **self.waits}

    def keyed_s(self, settings: S, conditions: Conditions) -> float:
        """Return for how much of `forecast_s` the unit is keyed, s: all of it, unless a check knows better."""
        return self.forecast_s(settings, conditions) if self.side_of(settings) == "transmit" else 0.0

    def last_keyed_s(self, settings: S, conditions: Conditions) -> float:
        """Return how long its last key-down lasts, s, after which the duty owes a rest: all of `keyed_s`, unless it keys more than once."""
        return self.keyed_s(settings, conditions)

    def may_join_key(self, settings: S) -> bool:
        """Say whether it may be made in a key-down that another check began (`share_key`).

        It then reads keyed alone, sets nothing but the audio source, and works out no more than means and budgets before it returns.
        """
        return False

    def may_leave_key(self, settings: S) -> bool:
        """Say whether the unit may stay keyed after it, for another check: as `may_join_key`, but that it may begin unkeyed."""
        return self.may_join_key(settings)

    def hold_s(self, settings: S) -> float:
        """Return how long it waits keyed before it reads, counted from when the unit was keyed, s."""
        return 0.0

    def readings(self, settings: S, conditions: Conditions) -> float:
        """Return about how many readings it takes where a person takes them, each after a level that a person may have to set."""
        return AVERAGED

    def person_s(self, settings: S, conditions: Conditions) -> float:
        """Return about how long people take in it, s: those who set or read an instrument of this bench by hand."""
        return person_s(
            conditions,
            self.roles_of(settings),
            self.side_of(settings),
            readings=self.readings(settings, conditions),
        )

    def limits_of(self, settings: S, conditions: Conditions) -> tuple[Limits, ...]:
        """Return the limits of its `quantities`, one each: a row keeps them also where nothing could be measured.

        Those of the setting `limit` for each of them, unless a check knows better.
        """
        stated = getattr(getattr(settings, "limit", None), "limits", Limits())
        return tuple(stated for _ in self.quantities(settings))

    def complaints(self, settings: S, conditions: Conditions) -> list[Complaint]:
        """Return what is wrong with files it will need, for the plan to say before anything is sent."""
        return []

    def meter_marks(self, settings: S) -> tuple[MeterMark, ...]:
        """Return the voltages it takes for marks of the signal meter, for the plan to hold against each other and the bench."""
        return ()

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
