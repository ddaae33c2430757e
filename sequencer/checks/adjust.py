"""Adjust: bring a preset to its target while a person turns it, as found and as left measured by the ordinary check.

Key time, duty and ratings hold as everywhere: PTT is released, the rest counted down and PTT pressed again. Who presses no key for a
while has walked away: PTT is released, and what was left is measured.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Annotated, Any, ClassVar, Literal, Self, TypeVar

from pydantic import AfterValidator, Field, PrivateAttr, model_validator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Demand, Finding, MeterMark
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.checks.shared.adjusting import LEFT_ALONE, LIVE, Adjusted, as_left_unmeasured
from sequencer.checks.shared.live import LivePerson, Press
from sequencer.checks.shared.live_readers import LiveReader, receive_reader, transmit_reader
from sequencer.checks.shared.turning import Pace, Turned, Turning
from sequencer.files.fields import TimeS, between
from sequencer.frozen import dataclass
from sequencer.inputs.preset import Preset, PresetName, aim_problems, way_problems
from sequencer.problems import FieldProblem, FieldProblems, listed
from sequencer.safety.receive import ReceiveSide
from sequencer.safety.transmit import TransmitSide

TURNING_S = 20.0  # about how long a person turns one preset: common practice, no source
NOBODY = "nobody was there to turn it: run the sequence at a terminal"
S = TypeVar("S", ReceiveSide, TransmitSide)


class AdjustSettings(CheckSettings, Preset):
    """Settings of `adjust`. What stands beside `of` are settings of that check, as in a model file's presets."""

    check: Literal["adjust"]
    """Which check this is."""
    preset: PresetName | None = None
    """Which preset of the model; with `of` beside it, what this one is called."""
    presets: Annotated[tuple[PresetName, ...], *SOME] | None = None
    """Several presets of the model that work on each other: it comes round until all are in their bands."""
    rounds: Annotated[int, AfterValidator(between(1, 10, ""))] = 3
    """How often it comes round to several presets, at most."""
    always: bool = False
    """Whether a preset is turned even where it was found in its band; else it is left alone."""
    away_s: Annotated[TimeS, AfterValidator(between(5.0, 1800.0, "s"))] = 120.0
    """After how long without a key the person counts as gone: PTT is released, and the preset is skipped."""
    of: str = Field(default="", max_length=60)
    """The check that reads it, as found, while it is turned and as left; without it the model's preset of that name."""
    to: str = Field(default="", max_length=60)
    """Where it belongs: a quantity (`3.8 W`), or `maximum` or `minimum` where the best is looked for."""

    _presets: Mapping[str, Preset] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _can_be_adjusted(self) -> Self:
        if problems := self._problems():
            raise FieldProblems(problems)
        return self

    def _problems(self) -> list[FieldProblem]:
        if self.presets is not None and (self.preset is not None or self.of):
            other = "of" if self.of else "preset"
            return [
                FieldProblem(f"'presets' and '{other}' say two things", at=(other,), allowed="one of the two")
            ]
        if not self.of:
            if self.preset is None and self.presets is None:
                allowed = "'preset' (one of the model), 'presets' (several), or 'of', 'turn', 'to' and 'within' here"
                return [FieldProblem("it does not say what is adjusted", allowed=allowed)]
            stated = [name for name in ("to", "within", "turn", "write", "range") if getattr(self, name)]
            return [
                FieldProblem(
                    f"'{name}' is stated without 'of'", at=(name,), allowed="'of' beside it, or neither"
                )
                for name in stated
            ]
        if not self.to:
            return [
                FieldProblem(
                    "the preset has no target", at=("of",), allowed="'to: 3.8 W', with 'within: 0.1 W'"
                )
            ]
        if problems := [*aim_problems(self), *way_problems(self)]:
            return problems
        return _made_problems(self.named())

    def with_presets(self, presets: Mapping[str, Preset]) -> Self:
        """Return these settings with the model's presets, of which they name some."""
        found = self.model_copy()
        found._presets = dict(presets)
        return found

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the presets of the model that it asks for; none where it states its own."""
        if self.of:
            return ()
        return self.presets or ((self.preset,) if self.preset is not None else ())

    def named(self) -> dict[str, Preset]:
        """Return the presets it adjusts, by name; those of the model that nobody has given it are left out."""
        if not self.of:
            return {name: self._presets[name] for name in self.names if name in self._presets}
        stated: dict[str, Any] = {
            name: value for name in Preset.model_fields if (value := getattr(self, name)) is not None
        }
        if not isinstance(stated.get("channel", 0), int):
            del stated["channel"]  # of several, each is a step of its own
        return {self.preset or self.of: Preset.model_construct(**stated)}


def _made_problems(presets: Mapping[str, Preset]) -> list[FieldProblem]:
    """Return what is wrong with presets that a file states: no live reading, or no ordinary check of their settings."""
    problems = []
    for name, preset in presets.items():
        if preset.turn is not None and preset.of not in LIVE:
            problems.append(
                FieldProblem(
                    f"{preset.of} takes too long to be read while somebody turns",
                    at=("of",),
                    allowed=listed(LIVE),
                )
            )
            continue
        try:
            Adjusted.of(name, preset)
        except FieldProblem as problem:
            problems.append(problem)
    return problems


@dataclass(frozen=True, slots=True, kw_only=True)
class TransmitPace:
    """The time between readings of a unit that is keyed for them."""

    side: TransmitSide
    reader: LiveReader

    def now_s(self) -> float:
        """Return the bench's clock, s."""
        return self.side.now_s()

    def resting_s(self) -> float:
        """Return how long the unit must rest before the next reading, s."""
        return self.side.rest_before_s(self.reader.role, answers=self.reader.answers)

    def key_left_s(self) -> float | None:
        """Return what is left of the key-down, s."""
        return self.side.key_left_s

    def pause_s(self, seconds: float) -> None:
        """Let time pass with PTT released."""
        self.side.pause_s(seconds)

    def wait_s(self, seconds: float) -> None:
        """Let time pass as the unit stands: keyed where it is keyed."""
        if self.side.key_left_s is None:
            self.side.pause_s(seconds)
        else:
            self.side.wait_s(seconds)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivePace:
    """The time between readings of a unit that listens."""

    side: ReceiveSide

    def now_s(self) -> float:
        """Return the bench's clock, s."""
        return self.side.now_s()

    def resting_s(self) -> float:
        """Return 0: nothing rests."""
        return 0.0

    def key_left_s(self) -> float | None:
        """Return None: nothing is keyed."""
        return None

    def pause_s(self, seconds: float) -> None:
        """Let time pass."""
        self.side.wait_s(seconds)

    def wait_s(self, seconds: float) -> None:
        """Let time pass."""
        self.side.wait_s(seconds)


class Adjust(Check[AdjustSettings]):
    """Measure as found by the ordinary check, let a person turn the preset live, and measure as left."""

    name: ClassVar[str] = "adjust"
    summary: ClassVar[str] = "bring a preset to its target while a person turns it; as found and as left"
    side: ClassVar[Side] = "transmit"
    settings = AdjustSettings

    @override
    def quantities(self, settings: AdjustSettings) -> tuple[tuple[str, str], ...]:
        return tuple(pair for one in adjusted(settings) for pair in one.check.quantities(one.settings))

    def side_of(self, settings: AdjustSettings) -> Side:
        """Return the side of the check that reads it."""
        return next((one.check.side_of(one.settings) for one in adjusted(settings)), self.side)

    def roles_of(self, settings: AdjustSettings) -> frozenset[str]:
        """Return the roles of the checks that read it."""
        return frozenset().union(*(one.check.roles_of(one.settings) for one in adjusted(settings)))

    def demands(self, settings: AdjustSettings, conditions: Conditions) -> list[Demand]:
        """Return what the ordinary checks demand, and the power that it is turned to."""
        found = [Demand(refused=why, allowed=allowed) for why, allowed in _misfits(settings)]
        for one in adjusted(settings):
            found += one.check.demands(one.settings, conditions)
            if conditions.mode not in one.check.modes:
                refused = f"{one.preset.of} is not made in {conditions.mode}"
                found.append(Demand(refused=refused, allowed=f"mode: {listed(sorted(one.check.modes))}"))
            if one.preset.of == "carrier_power" and one.band.upper is not None:
                found.append(Demand(at=("to",) if settings.of else (), power_w=one.band.upper))
            if one.preset.of == "s9_point" and one.preset.target is not None:
                found.append(Demand(at=("to",) if settings.of else (), level_dbm=one.preset.target))
        return found

    def needs(self, settings: AdjustSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what the ordinary checks' budgets ask of the bench file."""
        return tuple(
            dict.fromkeys(
                need for one in adjusted(settings) for need in one.check.needs(one.settings, conditions)
            )
        )

    def commands(self, settings: AdjustSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands the ordinary checks cannot do without."""
        return frozenset().union(
            *(one.check.commands(one.settings, conditions) for one in adjusted(settings))
        )

    def forecast_s(self, settings: AdjustSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: both measurements, and the turning, which is a guess."""
        return sum(
            2.0 * one.check.forecast_s(one.settings, conditions) + TURNING_S for one in adjusted(settings)
        )

    def meter_marks(self, settings: AdjustSettings) -> tuple[MeterMark, ...]:
        """Return the voltages that the ordinary checks take for marks of the signal meter."""
        return tuple(mark for one in adjusted(settings) for mark in one.check.meter_marks(one.settings))

    @override
    def transmit(self, side: TransmitSide, settings: AdjustSettings, conditions: Conditions) -> list[Finding]:
        def read(one: Adjusted, figure: Finding) -> tuple[LiveReader, Pace]:
            reader = transmit_reader(side, one.preset, one.settings, conditions)
            return reader, TransmitPace(side=side, reader=reader)

        def measure(one: Adjusted) -> list[Finding]:
            side.rest()
            return one.check.transmit(side, one.settings, conditions)

        return _Adjusting(settings, conditions, measure, read, side.rest).findings()

    @override
    def receive(self, side: ReceiveSide, settings: AdjustSettings, conditions: Conditions) -> list[Finding]:
        def read(one: Adjusted, figure: Finding) -> tuple[LiveReader, Pace]:
            return receive_reader(side, one.preset, one.settings, conditions, figure), ReceivePace(side=side)

        def measure(one: Adjusted) -> list[Finding]:
            return one.check.receive(side, one.settings, conditions)

        return _Adjusting(settings, conditions, measure, read, lambda: None).findings()


def adjusted(settings: AdjustSettings) -> list[Adjusted]:
    """Return the presets that the settings adjust, with the checks that read them."""
    return [Adjusted.of(name, preset) for name, preset in settings.named().items()]


def was_adjusted(findings: Iterable[Finding]) -> bool:
    """Say whether anything was turned or written: what was measured before may be another unit's by now."""
    return any(one.stage == "as left" and LEFT_ALONE not in one.note for one in findings)


def _misfits(settings: AdjustSettings) -> Iterable[tuple[str, str]]:
    """Yield what cannot be done with the presets that were named: refusals, and what is allowed."""
    known = settings.named()
    for name in settings.names:
        if name not in known:
            there = listed(settings._presets) or "none: no model was found that has presets"
            yield f"the model has no preset {name!r}", f"a preset of the model: {there}"
    sides = {one.check.side_of(one.settings) for one in adjusted(settings)}
    if len(sides) > 1:
        yield (
            "presets of the transmitter and of the receiver cannot be adjusted in turn in one check",
            "one 'adjust' for those of each side",
        )


class _Adjusting:
    """The presets of one check on one side: as found, turned, as left; round by round where there are several."""

    def __init__(
        self,
        settings: AdjustSettings,
        conditions: Conditions,
        measure: Callable[[Adjusted], list[Finding]],
        reader: Callable[[Adjusted, Finding], tuple[LiveReader, Pace]],
        rest: Callable[[], None],
    ) -> None:
        self._settings = settings
        self._conditions = conditions
        self._measure = measure
        self._reader = reader
        self._rest = rest
        self._presets = adjusted(settings)
        self._found: dict[str, list[Finding]] = {}
        self._left: dict[str, list[Finding]] = {}
        self._turned: dict[str, list[Turned]] = {}

    def findings(self) -> list[Finding]:
        """Return what was found and what was left, and how long it took."""
        for one in self._presets:
            self._conditions.say(f"{one.name}: as found")
            self._found[one.name] = self._measure(one)
        for number in range(1, self._rounds + 1):
            open_ones = self._open(first=number == 1)
            if not open_ones or not self._round(open_ones, number):
                break
        return [*self._as_found(), *self._as_left(), *self._times()]

    @property
    def _rounds(self) -> int:
        return self._settings.rounds if len(self._presets) > 1 else 1

    def _open(self, *, first: bool) -> list[Adjusted]:
        """Return the presets that are to be turned now."""
        if first and self._settings.always:
            return list(self._presets)
        now = {**self._found, **self._left}
        return [
            one
            for one in self._presets
            if not one.is_right(now[one.name]) and (first or one.preset.best is None)
        ]

    def _round(self, open_ones: Sequence[Adjusted], number: int) -> bool:
        """Have each preset turned once, then measure all as left; return whether another round makes sense."""
        person = self._conditions.live
        if person is None:
            return False
        stopped, at = False, 0
        while at < len(open_ones) and not stopped:
            press = self._turn(open_ones[at], person, self._place(at, len(open_ones), number))
            at = max(0, at - 1) if press is Press.BACK else at + 1
            stopped = press is None
        self._rest()
        for one in self._presets:
            if self._turned:
                self._conditions.say(f"{one.name}: as left")
                self._left[one.name] = self._measure(one)
        return bool(self._turned) and not stopped

    def _place(self, at: int, count: int, number: int) -> str:
        if len(self._presets) == 1:
            return ""
        return f"{at + 1} of {count}, round {number}"

    def _turn(self, one: Adjusted, person: LivePerson, place: str) -> Press | None:
        """Let a preset be turned; return what the person said at the end, None for one who walked away."""
        figure = one.figure(self._found[one.name])
        if figure is None or figure.value is None:
            return Press.SKIP
        reader, pace = self._reader(one, figure)
        turn_by = self._conditions.turn_by
        turning = Turning(
            one.goal(figure),
            person,
            pace,
            reader.read,
            away_s=self._settings.away_s,
            place=place,
            turn_by=None if turn_by is None else partial(turn_by, one.name),
            prepare=reader.prepare,
        )
        try:
            turned = turning.run()
        finally:
            self._rest()
        reader.leave()
        self._turned.setdefault(one.name, []).append(turned)
        return turned.press

    def _as_found(self) -> list[Finding]:
        return [
            found
            for one in self._presets
            for found in one.staged(self._found[one.name], "as found", note=self._said_of_found(one))
        ]

    def _said_of_found(self, one: Adjusted) -> str:
        figure = one.figure(self._found[one.name])
        return "" if figure is None else one.too_fine(figure)

    def _as_left(self) -> list[Finding]:
        return [found for one in self._presets for found in self._left_of(one)]

    def _left_of(self, one: Adjusted) -> list[Finding]:
        if one.name in self._left:
            turned = self._turned.get(one.name, [])
            bests = [each.best for each in turned if each.best is not None]
            return one.staged(
                self._left[one.name],
                "as left",
                note=_how(turned, self._settings.away_s),
                best=bests[-1] if bests else None,
            )
        if one.is_right(self._found[one.name]):
            return one.staged(self._found[one.name], "as left", note=LEFT_ALONE)
        figure = one.figure(self._found[one.name])
        why = NOBODY if self._conditions.live is None else "not adjusted"
        if figure is None or figure.value is None:
            why = "not adjusted: nothing could be read to adjust it by"
        return as_left_unmeasured(one, self._conditions, why)

    def _times(self) -> list[Finding]:
        return [
            Finding(
                quantity=f"time to adjust {name}",
                value=round(sum(one.seconds for one in turned), 1),
                unit="s",
                exact=True,
            )
            for name, turned in self._turned.items()
        ]


def _how(turned: Sequence[Turned], away_s: float) -> str:
    """Say how turning ended, where that is more than kept."""
    if not turned:
        return "not turned itself"
    words = {Press.SKIP: "skipped", Press.BACK: "left for the preset before it"}
    if turned[-1].press is None:
        return f"skipped, because no key was pressed for {away_s:g} s"
    times = f"turned {len(turned)} times" if len(turned) > 1 else ""
    return "; ".join(part for part in (words.get(turned[-1].press, ""), times) if part)
