"""The signal meter's line, stepped until it crosses a voltage: smooth as a needle's, or in steps as that of a bar of segments."""

import itertools
import math
import statistics
from collections.abc import Callable, Sequence
from typing import Annotated, Literal, TypeVar

from pydantic import AfterValidator, Field

from drivers.roles import Reading
from sequencer.checks.finding import Conditions
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared.asked.levels import HIGHEST_BY_DEFAULT_DBM, LevelWindow, SearchAccuracyDb
from sequencer.checks.shared.budgets.level_budget import LEVEL_NEEDS, ReadError
from sequencer.checks.shared.budgets.parts import HalfWidth
from sequencer.checks.shared.level_search.stepper import Stepper
from sequencer.checks.shared.level_search.wanted_signal import BESIDE_THE_DIAL
from sequencer.checks.shared.readings.operator import (
    accuracy_db,
    dial_half_width_v,
    find_with_person,
    is_read_by_hand,
    reading_budget,
    reading_times,
)
from sequencer.files.fields import TimeS, between
from sequencer.results.model import Point
from sequencer.safety.receive import ReceiveSide
from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected, Known
from sequencer.search.curve_family import meter_family
from sequencer.search.protocol import Ask, Crossing, Settling, SwitchingCrossing
from sequencer.search.protocol import Reading as SearchReading
from sequencer.search.switching import SwitchingSearch
from sequencer.search.switching_grid import BAR

DWELL_S = 0.25
TONE_HZ = 1000.0
STILL_DB = 2.0  # a needle moves by a tenth of a volt or more over this, and scatters by a hundredth
OFTEN_STILL_DB = 0.8  # the same with three readings alike
WOULD_MOVE = 5.0  # times as much as three readings may differ and still be alike, a needle moves over that
QUITE_STILL_DB = (
    0.3  # the same with three readings alike to a fifth of a millivolt, a thirtieth of a needle's scatter
)
RETURNS_DB = 1.5
MOSTLY = 0.75
FLAT_SHARE = 0.25  # of the line's mean slope: a needle's scale is nowhere so much flatter beside a place where it is steep
JUMP_DB, JUMP_WITHIN_DB = 2.0, 0.6  # as far as the line moves over the one on the average, within the other
LEAST_SPAN_DB = 6.0  # of levels that a mean slope is taken over
LEAST_LEVELS, CLEARLY = 6, 0.8
FALLS = "the line works the other way: its voltage falls as the level rises"

SLOPE_DOUBT = 0.25
NOMINAL_SD_DB = 6.0  # how far real meters stray from their nominal levels: common practice, no source

Found_ = TypeVar("Found_", Crossing, SwitchingCrossing)

MeterTimeS = Annotated[TimeS, AfterValidator(between(0.0, 30.0, "s"))]


class MeterSettings(CheckSettings):
    """What the checks of the signal meter share."""

    meter: Literal["needle", "segments"] = "needle"
    """needle: the line follows the level smoothly; segments: it steps, with hysteresis."""
    attack_s: MeterTimeS = 0.3
    """Time constant with which the meter rises; within a factor of two is enough."""
    decay_s: MeterTimeS = 0.6
    """Time constant with which the meter falls; within a factor of two is enough."""
    accuracy_db: SearchAccuracyDb = 0.5
    """Half-width of the 95 % interval at which the search may stop."""
    levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels the search may use."""

    @property
    def slowest_s(self) -> float:
        """The longer of the two time constants, for a forecast."""
        return max(self.attack_s, self.decay_s, 0.05)


def meter_needs(settings: MeterSettings, conditions: Conditions) -> tuple[str, ...]:
    """Return what the bench file must state; a segment is lit or not, whatever the voltmeter's last digit says."""
    volts = settings.meter == "needle" and dial_half_width_v(conditions) == 0.0
    return (*LEVEL_NEEDS, "voltmeter.voltage") if volts else LEVEL_NEEDS


class MeterLine:
    """Finds levels at which the line crosses a voltage; keeps every reading."""

    def __init__(
        self,
        side: ReceiveSide,
        settings: MeterSettings,
        conditions: Conditions,
        *,
        highest_dbm: float = HIGHEST_BY_DEFAULT_DBM,
    ) -> None:
        self._side = side
        self._settings = settings
        self._conditions = conditions
        self._window_dbm = settings.levels.bounds_dbm(conditions, highest_dbm=highest_dbm)
        self._is_on = False
        side.configure_meter(attack_s=settings.attack_s, decay_s=settings.decay_s)
        self.points: list[Point] = []

    def find_needle(
        self,
        target_v: float,
        *,
        about: Expected,
        volts_per_db: float,
        doubt: float = SLOPE_DOUBT,
        known: Sequence[Known] = (),
        stands: Known | None = None,
        play_db: float | None = None,
        falls: bool = False,
    ) -> Crossing:
        """Find the level at which a smooth line crosses ``target_v``; ``falls``: its voltage falls as the level rises.

        It is looked for where it is ``about``, on a line of about ``volts_per_db`` (0: nothing is known of it), which may be off
        by ``doubt`` of that (a standard deviation) and bend; ``known`` are other marks that were found on it, ``stands`` is where it
        stands now, at rest; ``play_db`` is what was found of its play.
        """
        search = CurveSearch(
            target=target_v,
            rising=not falls,
            window_db=self._window_dbm,
            level_unit="dBm",
            reading_unit="V",
            accuracy_db=self._accuracy_db,
            reading_s=reading_times(self._conditions, "voltmeter"),
            budget=reading_budget(self._conditions, "voltmeter", 60),
            settling=self._settling,
            by_hand=is_read_by_hand(self._conditions, "signal_generator"),
            start_db=self._within(about.level_db),
            expected=about,
            known=known,
            stands=stands,
            play_db=play_db,
            prior=meter_family(target=target_v, unit_per_db=volts_per_db, doubt=doubt)
            if volts_per_db
            else None,
        )
        stepper = self._begin(search.ask, rest_s=0.0)  # the search waits by itself
        crossing = find_with_person(search, stepper.measure, stepper.points, self._conditions, "voltmeter")
        self.points += stepper.points
        return crossing

    def find_segment(
        self, above_v: float, *, falling: bool = True, start_dbm: float | None = None, falls: bool = False
    ) -> SwitchingCrossing:
        """Find the levels at which the line steps above ``above_v`` while the level rises, and below while it falls.

        ``falls``: the line works the other way, and a segment is lit below that voltage.
        """
        search = SwitchingSearch(
            window_db=self._window_dbm,
            level_unit="dBm",
            accuracy_db=self._accuracy_db,
            falling=falling,
            budget=reading_budget(self._conditions, "voltmeter", 120),
            settling=self._settling,
            dwell_s=DWELL_S,
            manner=BAR,
            start_db=None if start_dbm is None else self._within(start_dbm),
        )
        # from wherever the meter stands to the first level: the longest way
        stepper = self._begin(search.ask, rest_s=5.0 * max(self._settings.attack_s, self._settings.decay_s))

        found = find_with_person(
            search,
            lambda ask: stepper.test(ask, above_v, lit_above=not falls),
            stepper.points,
            self._conditions,
            "voltmeter",
        )
        self.points += stepper.points
        return found

    def find_either_way(self, find: Callable[[bool], Found_]) -> tuple[Found_, bool]:
        """Return what ``find`` finds of a line that rises with the level, or else of one that falls, and whether it falls.

        A voltage alone does not say which way a line works; where its readings do, it is searched that way.
        """
        found = find(False)
        if found.found or not falls_with_level(self.points):
            return found, False
        self._conditions.say(FALLS)
        before = list(self.points)
        self.points.clear()
        other = find(True)
        self.points[:0] = before
        return other, True

    @property
    def _accuracy_db(self) -> float:
        settings = self._settings
        is_stated = "accuracy_db" in settings.model_fields_set
        return accuracy_db(
            settings.accuracy_db, is_stated=is_stated, conditions=self._conditions, reader="voltmeter"
        )

    @property
    def _settling(self) -> Settling:
        settings = self._settings
        return Settling(rise_s=settings.attack_s, fall_s=settings.decay_s, least_s=0.03, doubt=0.5)

    def _within(self, level_dbm: float) -> float:
        low_dbm, high_dbm = self._window_dbm
        return min(max(level_dbm, low_dbm), high_dbm)

    def _begin(self, first: Ask | None, *, rest_s: float) -> Stepper:
        level_dbm = first.level_db if first is not None else self._window_dbm[0]
        if self._is_on:
            self._side.set_level_dbm(level_dbm)
        else:
            # an SSB receiver hears a carrier where it makes a tone, not on the dial
            beside_hz = TONE_HZ * BESIDE_THE_DIAL.get(self._conditions.mode, 0.0)
            self._side.apply_carrier(level_dbm, offset_hz=beside_hz)
            self._is_on = True
        self._side.wait_s(rest_s)

        def read(reading_s: float) -> Reading:
            return self._side.read_meter_v(reading_s)

        return Stepper(self._side, self._conditions, read, unit="V")


def voltage_error(target_v: float, conditions: Conditions) -> ReadError:
    """Return how far the voltage read may be off at ``target_v``, V: the voltmeter's accuracy, or half an S-unit on a person's dial.

    A dial in S-units is not read as a voltage: the voltmeter's accuracy is asked for only where it is the wider.
    """
    half_width = HalfWidth.of(conditions.bench, "voltmeter", "voltage")
    half_width = None if half_width is None else half_width.of_reading(target_v)
    dial_v = dial_half_width_v(conditions)
    if half_width is not None and dial_v > (half_width.figure or 0.0):
        half_width = HalfWidth(figure=dial_v, keys=())
    return "meter voltage, accuracy", half_width, "V"


def at_rest(points: Sequence[Point]) -> list[Point]:
    """Return the readings of one search without the first where the second was taken at its level: that told where the line began."""
    began = len(points) > 1 and points[0].level_db == points[1].level_db
    return list(points[began:])


def levels_reached(crossing: Crossing) -> list[tuple[float, float]]:
    """Return the readings of one search as the level that the needle had come to, dBm, and what was read there, V.

    A needle that was read on its way stands for that level, not for the one set. The first reading is left out where the second was
    taken at its level: it told where the line began.
    """
    return [(one.reached_db, one.value) for one in _read_in_place(crossing) if isinstance(one.value, float)]


def _read_in_place(crossing: Crossing) -> list[SearchReading]:
    """Return the readings of one search that have a voltage, without the first where the second was taken at its level."""
    readings = crossing.history
    began = len(readings) > 1 and readings[0].ask.level_db == readings[1].ask.level_db
    return [one for one in readings[began:] if isinstance(one.value, float)]


def moves_in_steps(crossing: Crossing, target_v: float, conditions: Conditions) -> bool:
    """Say whether the line stands still beside the target over levels that would move a needle: the line of a bar.

    A person's own rounding is not the line's: there only few voltages over many levels count.
    """
    found = [(volts, at) for at, volts in levels_reached(crossing)]
    if len({round(volts, 3) for volts, _ in found}) <= max(2, len({round(at, 1) for _, at in found}) // 3):
        return len(found) >= 5
    if is_read_by_hand(conditions, "voltmeter"):
        return False
    below = max((volts for volts, _ in found if volts <= target_v), default=None)
    above = min((volts for volts, _ in found if volts > target_v), default=None)
    set_db = [round(one.ask.level_db, 1) for one in _read_in_place(crossing)]
    slope = abs(crossing.slope or math.inf)
    return any(
        _stands_still(beside_v, found, set_db, slope) for beside_v in (below, above) if beside_v is not None
    )


def falls_with_level(points: Sequence[Point]) -> bool:
    """Say whether the line clearly falls as the level rises: over six levels or more, and by Spearman's rank correlation."""
    volts: dict[float, list[float]] = {}
    for point in at_rest(points):
        if point.reading is not None:
            volts.setdefault(point.level_db, []).append(point.reading)
    if len(volts) < LEAST_LEVELS or max(volts) - min(volts) < LEAST_SPAN_DB:
        return False
    means = [statistics.fmean(volts[level_db]) for level_db in sorted(volts)]
    ranks = [sorted(means).index(one) for one in means]
    return len(set(ranks)) > 1 and statistics.correlation(range(len(ranks)), ranks) < -CLEARLY


def climbs_stairs(readings: Sequence[tuple[float, float]]) -> bool:
    """Say whether the line is flat over levels that would move a needle, and jumps right beside: the stairs of a bar, in noise too.

    ``readings`` are levels that the line had come to, dBm, and its voltages.
    """
    found = sorted(readings)
    if len(found) < 5 or found[-1][0] - found[0][0] < LEAST_SPAN_DB:
        return False
    slope = abs(found[-1][1] - found[0][1]) / (found[-1][0] - found[0][0])
    for at, (low, high) in enumerate(itertools.pairwise(found), start=1):
        jumps = high[0] - low[0] <= JUMP_WITHIN_DB and abs(high[1] - low[1]) >= JUMP_DB * slope > 0.0
        if jumps and (_flat(found[:at][::-1], slope) or _flat(found[at:], slope)):
            return True
    return False


def _flat(outward: Sequence[tuple[float, float]], slope: float) -> bool:
    """Say whether the first three readings or more of ``outward`` span `OFTEN_STILL_DB` and move by less than a needle would."""
    for count in range(3, len(outward) + 1):
        levels, volts = zip(*outward[:count], strict=True)
        span_db = max(levels) - min(levels)
        if span_db >= OFTEN_STILL_DB and max(volts) - min(volts) <= FLAT_SHARE * slope * span_db:
            return True
    return False


def _stands_still(
    beside_v: float, found: list[tuple[float, float]], set_db: Sequence[float], slope: float
) -> bool:
    """Whether the line stands at ``beside_v`` over more levels than a needle does; the closer the readings agree, the fewer suffice.

    Three that are alike to a thousandth say nothing where a needle of ``slope``, V/dB, would not have moved by several times that.
    """

    def spread_db(share: float, at_least: int, set_apart: int = 1) -> float:
        width_v = max(share, share * abs(beside_v))
        alike = [at for at, (volts, _) in enumerate(found) if abs(volts - beside_v) <= width_v]
        # Where a needle was left at one level its readings are alike because it has come to rest.
        if len(alike) < at_least or len({set_db[at] for at in alike}) < set_apart:
            return 0.0
        levels = [found[at][1] for at in alike]
        low_db, high_db = min(levels), max(levels)
        among = sum(low_db <= level_db <= high_db for _, level_db in found)
        # On a step nearly every reading stands; a needle's readings agree by chance, with others among them.
        return high_db - low_db if len(levels) >= MOSTLY * among else 0.0

    return (
        spread_db(0.001, 2) >= STILL_DB
        or spread_db(0.001, 3) >= max(OFTEN_STILL_DB, WOULD_MOVE * 0.001 * abs(beside_v) / slope)
        or spread_db(0.0002, 3, set_apart=3) >= QUITE_STILL_DB
        or _returns_to(beside_v, found)
    )


def _returns_to(beside_v: float, found: list[tuple[float, float]]) -> bool:
    """Whether the line came back to one and the same voltage at four levels or more far apart, whatever lay between: a bar's hysteresis."""
    levels = {
        round(at, 1) for volts, at in found if abs(volts - beside_v) <= max(0.0002, 0.0002 * abs(beside_v))
    }
    return len(levels) >= 4 and max(levels) - min(levels) >= RETURNS_DB
