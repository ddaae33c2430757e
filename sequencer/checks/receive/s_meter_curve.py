"""S-meter curve: the level at each mark of the signal meter, the size of each S-unit, and how straight the scale is.

Nominal levels: IARU Region 1 Technical Recommendation R.1, 6 dB to each S-unit below S9, as printed above it. S9 itself is what the
bench file says.
"""

import itertools
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, BeforeValidator
from typing_extensions import override

from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding, MeterMark
from sequencer.checks.people import EACH_MARK, EACH_MARK_BY_EYE, SEARCHED, by_hand
from sequencer.checks.receive.s9_point import IN_STEPS, needle_finding, segment_finding
from sequencer.checks.shared.asked.levels import HIGHEST_BY_DEFAULT_DBM
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.asked.meter_marks import MarkName, above_s9_db, once_each, rising
from sequencer.checks.shared.budgets.parts import without_path
from sequencer.checks.shared.level_search.s_meter import (
    FALLS,
    NOMINAL_SD_DB,
    MeterLine,
    MeterSettings,
    climbs_stairs,
    levels_reached,
    meter_needs,
)
from sequencer.checks.shared.readings.operator import is_read_by_hand
from sequencer.files.fields import RatioDb, VoltageV, at_least, between
from sequencer.results.model import METER_MARK, Point
from sequencer.safety.receive import ReceiveSide
from sequencer.search.curve_belief import Expected, Known
from sequencer.search.protocol import Crossing
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.decision import Limits

NEIGHBOURS = 2  # marks found that bear on the next: further off a scale bends
NORMAL_95 = 1.96
NEXT_MARK_SD_DB = 3.0  # how far an S-unit strays from 6 dB: common practice, no source
LINEARITY = "S-meter linearity"
COMMON = ("mismatch", "receive path")  # what two levels on one path share


Volts = Annotated[VoltageV, AfterValidator(between(-100.0, 100.0, "V"))]
NotNegativeDb = Annotated[RatioDb, AfterValidator(at_least(0.0, "dB"))]


class SMeterCurveSettings(MeterSettings):
    """Settings of `s_meter_curve`."""

    check: Literal["s_meter_curve"]
    """Which check this is."""
    marks: Annotated[Mapping[MarkName, Volts], BeforeValidator(once_each), AfterValidator(rising)]
    """Voltage on the meter line at each mark, `S1` to `S9` and `S9+10 dB` to `S9+60 dB`; for segments, above which it is lit."""
    within_db: NotNegativeDb | None = None
    """How far each mark may lie from its nominal level."""
    s_unit: RatioLimit = RatioLimit.unstated()
    """Smallest and largest right size of an S-unit between two neighbouring marks from S1 to S9."""
    linearity_db: NotNegativeDb | None = None
    """How far a mark may lie from the straight line through all marks (level against nominal level, least squares)."""

    @property
    def line_falls(self) -> bool:
        """Whether the line works the other way, as the marks have it: its voltage falls as the level rises."""
        volts = list(self.marks.values())
        return volts[-1] < volts[0]


@dataclass(slots=True)
class _LineSoFar:
    """What the marks found tell the search for the next: where they lie, where the needle stands now, and its play, dB.

    ``readings`` are all of the line: level reached, dBm, and voltage.
    """

    marks: list[Known] = field(default_factory=list)
    stands: Known | None = None
    play_db: float | None = None
    readings: list[tuple[float, float]] = field(default_factory=list)


class SMeterCurve(Check[SMeterCurveSettings]):
    """Find the level at each mark; work out the size of each S-unit and how straight the scale is."""

    name: ClassVar[str] = "s_meter_curve"
    summary: ClassVar[str] = "level at each mark of the signal meter, size of its S-units, linearity"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "voltmeter"})
    depends_on: ClassVar[DependsOn] = frozenset()
    limit_keys = MappingProxyType({"S-meter,": "within", "S-unit": "s_unit", LINEARITY: "linearity"})
    settings = SMeterCurveSettings

    @override
    def quantities(self, settings: SMeterCurveSettings) -> tuple[tuple[str, str], ...]:
        marks = [(f"S-meter, {mark}", "dBm") for mark in settings.marks]
        units = [(f"S-unit, {low} to {high}", "dB") for low, high in _units(settings)]
        return (*marks, *units, *(((LINEARITY, "dB"),) if len(settings.marks) > 2 else ()))

    @override
    def limits_of(self, settings: SMeterCurveSettings, conditions: Conditions) -> tuple[Limits, ...]:
        marks = [_mark_limits(mark, settings, conditions) for mark in settings.marks]
        units = [settings.s_unit.limits for _ in _units(settings)]
        return (*marks, *units, *((Limits(upper=settings.linearity_db),) if len(settings.marks) > 2 else ()))

    def needs(self, settings: SMeterCurveSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return meter_needs(settings, conditions)

    def demands(self, settings: SMeterCurveSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it may use."""
        return settings.levels.demands(conditions, highest_dbm=_highest_dbm(settings, conditions))

    def meter_marks(self, settings: SMeterCurveSettings) -> tuple[MeterMark, ...]:
        """Return the voltage of each mark."""
        return tuple(
            MeterMark(
                mark=mark,
                above_s9_db=above_s9_db(mark),
                volts_v=volts,
                meter=settings.meter,
                at=("marks", mark),
            )
            for mark, volts in settings.marks.items()
        )

    def readings(self, settings: SMeterCurveSettings, conditions: Conditions) -> float:
        """Return about how many readings it takes by hand: a search for each mark."""
        if settings.meter != "needle":
            return SEARCHED * len(settings.marks)
        each = EACH_MARK_BY_EYE if by_hand(conditions, "voltmeter") else EACH_MARK
        return each * len(settings.marks)

    @override
    def waits_of(self, settings: SMeterCurveSettings, conditions: Conditions) -> Mapping[str, float]:
        each = 5.0 if settings.meter == "needle" else 25.0
        return dict.fromkeys(("signal_generator", "voltmeter"), each * len(settings.marks))

    def forecast_s(self, settings: SMeterCurveSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: each mark's search, started at its nominal level."""
        return 0.5 + len(settings.marks) * (13.0 if settings.meter == "needle" else 45.0) * settings.slowest_s

    def receive(
        self, side: ReceiveSide, settings: SMeterCurveSettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure, the lowest mark first: a meter rises sooner than it falls."""
        found: dict[str, Finding] = {}
        line = _LineSoFar()
        for mark in settings.marks:
            found[mark] = self._find(side, mark, settings, conditions, line)
        by_hand = is_read_by_hand(conditions, "voltmeter")
        if settings.meter == "needle" and not by_hand and climbs_stairs(line.readings):
            found = {mark: _in_steps(one) for mark, one in found.items()}
        units = [_unit_finding(low, high, found, settings.s_unit.limits) for low, high in _units(settings)]
        straight = [_linearity(found, settings)] if len(settings.marks) > 2 else []
        return [*found.values(), *units, *straight]

    def _find(
        self,
        side: ReceiveSide,
        mark: str,
        settings: SMeterCurveSettings,
        conditions: Conditions,
        so_far: _LineSoFar,
    ) -> Finding:
        """Find a mark's level, and add it to what is known of the line: the next lies about as far from its nominal level as the last."""
        nominal_dbm = _nominal_dbm(mark, conditions)
        limits = _mark_limits(mark, settings, conditions)
        quantity, target_v = f"S-meter, {mark}", settings.marks[mark]
        line = MeterLine(side, settings, conditions, highest_dbm=_highest_dbm(settings, conditions))
        beside = so_far.marks
        about = _about(beside, nominal_dbm, settings, conditions)
        if settings.meter == "segments":
            found = line.find_segment(
                target_v, falling=False, start_dbm=about.level_db, falls=settings.line_falls
            )
            finding = segment_finding(
                quantity, found.rising, found, tuple(line.points), limits, target_v, conditions
            )
        else:
            crossing = line.find_needle(
                target_v,
                about=about,
                volts_per_db=_volts_per_db(mark, settings),
                known=beside[-NEIGHBOURS:],
                stands=so_far.stands,
                play_db=so_far.play_db,
                falls=settings.line_falls,
            )
            so_far.stands = None
            so_far.readings += levels_reached(crossing)
            finding = needle_finding(quantity, crossing, tuple(line.points), limits, target_v, conditions)
            if finding.value is not None:
                sd_db = crossing.half_width_db / NORMAL_95
                so_far.marks.append(Known(level_db=finding.value, reading=target_v, sd_db=sd_db))
                so_far.play_db = crossing.play_db if so_far.play_db is None else so_far.play_db
                so_far.stands = _last_of(crossing, line.points, sd_db)
        return replace(
            finding,
            axis=METER_MARK,
            axis_value=above_s9_db(mark),
            axis_unit="dB over S9",
            nominal=nominal_dbm,
            note=f"{finding.note}; {FALLS}" if settings.line_falls else finding.note,
        )


def _last_of(crossing: Crossing, points: Sequence[Point], sd_db: float) -> Known | None:
    """Return where the line stands after a search: at its last reading, near enough to rest where that was taken near the crossing."""
    last = points[-1]
    if crossing.history[-1].ask.purpose != "near" or last.reading is None:
        return None
    return Known(level_db=last.level_db, reading=last.reading, sd_db=sd_db)


def _about(
    beside: Sequence[Known], nominal_dbm: float, settings: SMeterCurveSettings, conditions: Conditions
) -> Expected:
    """Return where a mark should lie: at its nominal level, or as far from it as the last mark found from its own."""
    if not beside:
        return Expected(level_db=nominal_dbm, sd_db=NOMINAL_SD_DB)
    last = beside[-1]
    mark = next(name for name, volts in settings.marks.items() if volts == last.reading)
    off_db = last.level_db - conditions.bench.s9.at(conditions.carrier_hz) - above_s9_db(mark)
    return Expected(level_db=nominal_dbm + off_db, sd_db=NEXT_MARK_SD_DB)


def _in_steps(finding: Finding) -> Finding:
    """Return a mark that is not stated, with the reason: a line that moves in steps at one mark does so at all."""
    if finding.value is None:
        note = finding.note if IN_STEPS in finding.note else f"{finding.note}; {IN_STEPS}"
        return replace(finding, note=note)
    return replace(finding, value=None, budget=None, slope=None, note=f"no number is stated; {IN_STEPS}")


def _highest_dbm(settings: SMeterCurveSettings, conditions: Conditions) -> float:
    """Return how high the search may go unless the file says so: somewhat above the highest mark; the rating bounds it as ever."""
    top_dbm = conditions.bench.s9.at(conditions.carrier_hz) + above_s9_db(list(settings.marks)[-1])
    return max(HIGHEST_BY_DEFAULT_DBM, top_dbm + 10.0)


def _volts_per_db(mark: str, settings: SMeterCurveSettings) -> float:
    """Return what the marks beside this one say of the line's slope; how the meter really moves is what the check asks."""
    marks = list(settings.marks)
    at = marks.index(mark)
    low, high = marks[max(0, at - 1)], marks[min(len(marks) - 1, at + 1)]
    volts = abs(settings.marks[high] - settings.marks[low])
    return volts / (above_s9_db(high) - above_s9_db(low))


def _units(settings: SMeterCurveSettings) -> list[tuple[str, str]]:
    """Return the pairs of marks that are one S-unit apart."""
    pairs = itertools.pairwise(settings.marks)
    return [(low, high) for low, high in pairs if "+" not in high and int(high[1]) - int(low[1]) == 1]


def _nominal_dbm(mark: str, conditions: Conditions) -> float:
    return conditions.bench.s9.at(conditions.carrier_hz) + above_s9_db(mark)


def _mark_limits(mark: str, settings: SMeterCurveSettings, conditions: Conditions) -> Limits:
    if settings.within_db is None:
        return Limits()
    return Limits.around(_nominal_dbm(mark, conditions), settings.within_db)


def _unit_finding(low: str, high: str, found: Mapping[str, Finding], limits: Limits) -> Finding:
    quantity = f"S-unit, {low} to {high}"
    lower, upper = found[low], found[high]
    if lower.value is None or upper.value is None:
        missing = " and ".join(mark for mark in (low, high) if found[mark].value is None)
        return Finding(
            quantity=quantity, value=None, unit="dB", limits=limits, note=f"{missing} was not found"
        )
    size_db = upper.value - lower.value
    budget = Budget(
        quantity=quantity,
        unit="dB",
        value=size_db,
        contributions=(*_shares(low, lower, -1.0), *_shares(high, upper, 1.0)),
        unstated=own_unstated(lower, upper),
    )
    return Finding(
        quantity=quantity, value=size_db, unit="dB", limits=limits, budget=budget, levels_as_made=True
    )


def _shares(mark: str, finding: Finding, sign: float) -> list[Contribution]:
    """Return what a difference of levels keeps of one level's budget.

    Path and mismatch are common to both levels and cancel; whether the generator's level error is, nobody states: it counts at each.
    """
    if finding.budget is None:
        return []
    return [
        replace(one, source=f"{one.source}, at {mark}", coefficient=sign * one.coefficient)
        for one in finding.budget.contributions
        if not one.source.startswith(COMMON)
    ]


def own_unstated(*findings: Finding) -> tuple[str, ...]:
    """Return what is not stated of levels and does not cancel in their difference: all but path and matches."""
    keys = (key for one in findings if one.budget is not None for key in one.budget.unstated)
    return without_path(keys)


def _linearity(found: Mapping[str, Finding], settings: SMeterCurveSettings) -> Finding:
    limits = Limits(upper=settings.linearity_db)
    levels = {mark: one.value for mark, one in found.items() if one.value is not None}
    missing = [mark for mark in found if mark not in levels]
    if len(levels) < 3:
        note = f"{', '.join(missing)} not found: too few marks are left for a line"
        return Finding(quantity=LINEARITY, value=None, unit="dB", limits=limits, note=note)
    nominal_db = [above_s9_db(mark) for mark in levels]
    slope, start_dbm = statistics.linear_regression(nominal_db, list(levels.values()))
    off_db = {mark: level - start_dbm - slope * above_s9_db(mark) for mark, level in levels.items()}
    worst = max(off_db, key=lambda mark: abs(off_db[mark]))
    value_db = abs(off_db[worst])
    budget = Budget(
        quantity=LINEARITY,
        unit="dB",
        value=value_db,
        contributions=tuple(_shares(worst, found[worst], 1.0)),
        unstated=own_unstated(found[worst]),
    )
    note = (
        f"farthest: {worst}, {off_db[worst]:+.1f} dB from the line; {slope:.2f} dB for each dB of the scale"
    )
    if missing:
        note += f"; without {', '.join(missing)}"
    return Finding(
        quantity=LINEARITY,
        value=value_db,
        unit="dB",
        limits=limits,
        budget=budget,
        note=note,
        levels_as_made=True,
    )
