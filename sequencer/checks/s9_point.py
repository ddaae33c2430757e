"""S9 point: the level at which the signal meter stands at S9, found by stepping the generator."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field

from drivers.roles import Reading
from sequencer.checks.base import Check, CheckSettings, Conditions, Demand, Finding, LevelLimit, Side
from sequencer.checks.by_hand import (
    accuracy_db,
    dial_half_width_v,
    find_with_person,
    reading_budget,
    reading_times,
)
from sequencer.checks.receiving import (
    LevelWindow,
    SearchAccuracyDb,
    Stepper,
    how_found,
    level_budget,
    why_not,
)
from sequencer.contributions import search_interval
from sequencer.curve_search import CurveSearch
from sequencer.decision import Limits
from sequencer.file_types import TimeS, VoltageV, at_least, between
from sequencer.results import Point
from sequencer.safety import ReceiveSide
from sequencer.search import Ask, Crossing, NoReading, Settling, SwitchingCrossing
from sequencer.switching_search import SwitchingSearch
from sequencer.uncertainty import Budget

DWELL_S = 0.25
TONE_HZ = 1000.0
SEGMENT_JITTER_DB = 0.3  # how much a segment's own level scatters: common practice, no source


class S9PointSettings(CheckSettings):
    """Settings of `s9_point`."""

    check: Literal["s9_point"]
    """Which check this is."""
    target_v: Annotated[VoltageV, AfterValidator(between(-100.0, 100.0, "V"))]
    """Voltage on the meter line at which the meter stands at S9; for segments, above which the S9 segment is lit."""
    meter: Literal["needle", "segments"] = "needle"
    """needle: the line follows the level smoothly; segments: it steps, with hysteresis."""
    attack_s: Annotated[TimeS, AfterValidator(at_least(0.0, "s"))] = 0.3
    """Time constant with which the meter rises; about is enough."""
    decay_s: Annotated[TimeS, AfterValidator(at_least(0.0, "s"))] = 0.6
    """Time constant with which the meter falls; about is enough."""
    accuracy_db: SearchAccuracyDb = 0.5
    """Half-width of the 95 % interval at which the search may stop."""
    levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels the search may use."""
    limit: LevelLimit = LevelLimit()
    """Where S9 must lie: usually nominal and within."""


class S9Point(Check[S9PointSettings]):
    """Step an unmodulated carrier until the meter line crosses its S9 voltage; both ways if it has segments."""

    name: ClassVar[str] = "s9_point"
    summary: ClassVar[str] = "level at which the signal meter stands at S9"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "voltmeter"})
    settings = S9PointSettings

    def quantities(self, settings: S9PointSettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        if settings.meter == "needle":
            return (("S9 point", "dBm"),)
        return (("S9 point, rising", "dBm"), ("S9 point, falling", "dBm"), ("S9 hysteresis", "dB"))

    def demands(self, settings: S9PointSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it may use."""
        return settings.levels.demands(conditions)

    def forecast_s(self, settings: S9PointSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: settling rules, not averaging."""
        constant_s = max(settings.attack_s, settings.decay_s, 0.05)
        return 0.5 + (16.0 if settings.meter == "needle" else 36.0) * constant_s

    def receive(self, side: ReceiveSide, settings: S9PointSettings, conditions: Conditions) -> list[Finding]:
        """Measure."""
        if settings.meter == "segments":
            return self._segments(side, settings, conditions)
        search = CurveSearch(
            target=settings.target_v,
            window_db=settings.levels.bounds_dbm(conditions),
            accuracy_db=_accuracy_db(settings, conditions),
            reading_s=reading_times(conditions, "voltmeter"),
            budget=reading_budget(conditions, "voltmeter", 60),
            settling=_settling(settings),
        )
        stepper = self._begin(side, settings, conditions, search.ask)
        crossing = find_with_person(search, stepper.measure, stepper.points, conditions, "voltmeter")
        return [_finding("S9 point", crossing, settings, conditions, stepper)]

    def _segments(
        self, side: ReceiveSide, settings: S9PointSettings, conditions: Conditions
    ) -> list[Finding]:
        search = SwitchingSearch(
            window_db=settings.levels.bounds_dbm(conditions),
            accuracy_db=_accuracy_db(settings, conditions),
            budget=reading_budget(conditions, "voltmeter", 120),
            settling=_settling(settings),
            dwell_s=DWELL_S,
            jitter_db=SEGMENT_JITTER_DB,
        )
        stepper = self._begin(side, settings, conditions, search.ask)

        def is_lit(ask: Ask) -> bool | NoReading:
            reading = stepper.measure(ask)
            return reading if isinstance(reading, NoReading) else reading > settings.target_v

        found = find_with_person(search, is_lit, stepper.points, conditions, "voltmeter")
        return [
            _switching_finding("S9 point, rising", found.rising, found, settings, conditions, stepper),
            _switching_finding("S9 point, falling", found.falling, found, settings, conditions, stepper),
            Finding(
                quantity="S9 hysteresis",
                value=found.hysteresis_db,
                unit="dB",
                budget=_hysteresis_budget(found),
                note="" if found.hysteresis_db is not None else found.status.value,
            ),
        ]

    def _begin(
        self, side: ReceiveSide, settings: S9PointSettings, conditions: Conditions, first: Ask | None
    ) -> Stepper:
        level_dbm = first.level_db if first is not None else settings.levels.bounds_dbm(conditions)[0]
        # an SSB receiver hears a carrier where it makes a tone, not on the dial
        side.apply_carrier(level_dbm, offset_hz={"USB": TONE_HZ, "LSB": -TONE_HZ}.get(conditions.mode, 0.0))
        side.wait_s(
            5.0 * max(settings.attack_s, settings.decay_s)
        )  # from silence to the first level: the longest way

        def read(reading_s: float) -> Reading:
            return side.read_meter_v(reading_s)

        return Stepper(side, conditions, read, unit="V")


def _accuracy_db(settings: S9PointSettings, conditions: Conditions) -> float:
    is_stated = "accuracy_db" in settings.model_fields_set
    return accuracy_db(settings.accuracy_db, is_stated=is_stated, conditions=conditions, reader="voltmeter")


def _hysteresis_budget(found: SwitchingCrossing) -> Budget | None:
    """Return the budget of the difference of both levels: generator, path and mismatch are common to them and cancel."""
    if found.hysteresis_db is None:
        return None
    interval = search_interval("search, 95 % interval", found.hysteresis_half_width_db, unit="dB")
    return Budget(quantity="S9 hysteresis", unit="dB", value=found.hysteresis_db, contributions=(interval,))


def _settling(settings: S9PointSettings) -> Settling:
    return Settling(rise_s=settings.attack_s, fall_s=settings.decay_s, least_s=0.03, doubt=0.5)


def _moves_in_steps(points: tuple[Point, ...]) -> bool:
    """Say whether the readings stand on two or three voltages only, at levels that differ by decibels."""
    volts = [round(point.reading, 3) for point in points if point.reading is not None]
    levels = {round(point.level_db, 1) for point in points}
    return len(volts) >= 5 and len(levels) >= 4 and len(set(volts)) <= max(2, len(levels) // 3)


def _finding(
    quantity: str, crossing: Crossing, settings: S9PointSettings, conditions: Conditions, stepper: Stepper
) -> Finding:
    limits: Limits = settings.limit.limits
    points = tuple(stepper.points)
    if (
        not crossing.found
        or crossing.level_db is None
        or (settings.meter == "needle" and _moves_in_steps(points))
    ):
        note = why_not(crossing) if not crossing.found else "no number is stated"
        if settings.meter == "needle" and _moves_in_steps(points):
            note += "; the line moves in steps: if the meter is a bar, say 'meter: segments'"
        return Finding(quantity=quantity, value=None, unit="dBm", limits=limits, note=note, points=points)
    entry = conditions.bench.with_role("voltmeter")
    half_width_v = (
        abs(settings.target_v) * (entry[1].accuracy.voltage_percent if entry is not None else 0.0) / 100.0
    )
    half_width_v = max(half_width_v, dial_half_width_v(conditions))
    return Finding(
        quantity=quantity,
        value=crossing.level_db,
        unit="dBm",
        limits=limits,
        budget=level_budget(quantity, crossing, half_width_v, "meter voltage", conditions),
        note=how_found(crossing),
        points=points,
    )


def _switching_finding(
    quantity: str,
    crossing: Crossing | None,
    found: SwitchingCrossing,
    settings: S9PointSettings,
    conditions: Conditions,
    stepper: Stepper,
) -> Finding:
    if crossing is None:
        return Finding(
            quantity=quantity,
            value=None,
            unit="dBm",
            limits=settings.limit.limits,
            note="; ".join((found.status.value, *found.warnings)),
        )
    finding = _finding(quantity, crossing, settings, conditions, stepper)
    return (
        finding
        if not found.found
        else Finding(
            quantity=finding.quantity,
            value=finding.value,
            unit=finding.unit,
            limits=finding.limits,
            budget=finding.budget,
            note=f"{finding.note}; dwell {found.dwell_s:g} s; {found.approach}",
            points=finding.points,
        )
    )
