"""S9 point: the level at which the signal meter stands at S9, found by stepping the generator."""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, model_validator
from typing_extensions import override

from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding, MeterMark
from sequencer.checks.people import NEEDLE, NEEDLE_BY_EYE, SEARCHED, by_hand
from sequencer.checks.shared.asked.limits import LevelLimit
from sequencer.checks.shared.budgets.level_budget import how_found, why_not
from sequencer.checks.shared.level_search.level_finding import SoughtLevel, how_switched, hysteresis_finding
from sequencer.checks.shared.level_search.s_meter import (
    FALLS,
    NOMINAL_SD_DB,
    MeterLine,
    MeterSettings,
    meter_needs,
    moves_in_steps,
    voltage_error,
)
from sequencer.files.fields import VoltageV, between
from sequencer.problems import FieldProblem
from sequencer.results.model import Point
from sequencer.safety.receive import ReceiveSide
from sequencer.search.curve_belief import Expected
from sequencer.search.protocol import Crossing, Status, SwitchingCrossing
from sequencer.uncertainty.decision import Limits

S0_TO_S9_DB = 54.0  # nine S-units of 6 dB: IARU Region 1 recommendation R.1, from memory
IN_STEPS = "the line moves in steps: if the meter is a bar, say 'meter: segments'"


class S9Limit(LevelLimit):
    """Where S9 must lie: within so many dB of nominal, or between a lowest and a highest level.

    Without a nominal it is what the bench file says of S9, usually IARU Region 1 R.1: -73 dBm below 30 MHz and -93 dBm from there on.
    """

    @model_validator(mode="after")
    def _one_way_of_saying_it(self) -> "S9Limit":
        if self.nominal_dbm is not None and self.within_db is None:
            raise FieldProblem(
                "'nominal' needs 'within' beside it", at=("nominal",), allowed="within, or min and max"
            )
        if self.within_db is not None and (self.min_dbm is not None or self.max_dbm is not None):
            raise FieldProblem(
                "limits are given twice: within, and min or max", at=("within",), allowed="one of the two"
            )
        return self

    def at(self, conditions: Conditions) -> Limits:
        """Return the limits on this channel, dBm."""
        if self.within_db is None:
            return Limits(lower=self.min_dbm, upper=self.max_dbm)
        return Limits.around(self.nominal_at(conditions), self.within_db)

    def nominal_at(self, conditions: Conditions) -> float:
        """Return where S9 should lie on this channel, dBm: as stated, or as the bench file says."""
        return (
            self.nominal_dbm
            if self.nominal_dbm is not None
            else conditions.bench.s9.at(conditions.carrier_hz)
        )


class S9PointSettings(MeterSettings):
    """Settings of `s9_point`."""

    check: Literal["s9_point"]
    """Which check this is."""
    target_v: Annotated[VoltageV, AfterValidator(between(-100.0, 100.0, "V"))]
    """Voltage on the meter line at which the meter stands at S9; for segments, above which the S9 segment is lit.

    A line that falls as the level rises is found to do so, and the result says it; a segment is then lit below that voltage.
    """
    limit: S9Limit = S9Limit.unstated()
    """Where S9 must lie: `within` of nominal, which the frequency gives unless it is stated."""


class S9Point(Check[S9PointSettings]):
    """Step an unmodulated carrier until the meter line crosses its S9 voltage; both ways if it has segments."""

    name: ClassVar[str] = "s9_point"
    summary: ClassVar[str] = "level at which the signal meter stands at S9"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "voltmeter"})
    depends_on: ClassVar[DependsOn] = frozenset()
    limit_keys = MappingProxyType({"S9 point": "limit"})
    settings = S9PointSettings

    @override
    def quantities(self, settings: S9PointSettings) -> tuple[tuple[str, str], ...]:
        if settings.meter == "needle":
            return (("S9 point", "dBm"),)
        return (("S9 point, rising", "dBm"), ("S9 point, falling", "dBm"), ("S9 hysteresis", "dB"))

    @override
    def limits_of(self, settings: S9PointSettings, conditions: Conditions) -> tuple[Limits, ...]:
        one = settings.limit.at(conditions)
        return (one,) if settings.meter == "needle" else (one, one, Limits())

    def needs(self, settings: S9PointSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return meter_needs(settings, conditions)

    def demands(self, settings: S9PointSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it may use."""
        return settings.levels.demands(conditions)

    def readings(self, settings: S9PointSettings, conditions: Conditions) -> float:
        """Return about how many readings it takes by hand: one search."""
        if settings.meter != "needle":
            return SEARCHED
        return NEEDLE_BY_EYE if by_hand(conditions, "voltmeter") else NEEDLE

    @override
    def waits_of(self, settings: S9PointSettings, conditions: Conditions) -> Mapping[str, float]:
        return (
            {"signal_generator": 8.0, "voltmeter": 5.5}
            if settings.meter == "needle"
            else {"signal_generator": 25.0, "voltmeter": 25.0}
        )

    def forecast_s(self, settings: S9PointSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: settling rules, not averaging."""
        return 0.5 + (15.0 if settings.meter == "needle" else 45.0) * settings.slowest_s

    def meter_marks(self, settings: S9PointSettings) -> tuple[MeterMark, ...]:
        """Return the voltage of S9."""
        return (
            MeterMark(
                mark="S9", above_s9_db=0.0, volts_v=settings.target_v, meter=settings.meter, at=("target",)
            ),
        )

    @override
    def receive(self, side: ReceiveSide, settings: S9PointSettings, conditions: Conditions) -> list[Finding]:
        line = MeterLine(side, settings, conditions)
        limits = settings.limit.at(conditions)
        nominal_dbm = settings.limit.nominal_at(conditions)
        if settings.meter == "needle":
            about = Expected(level_db=nominal_dbm, sd_db=NOMINAL_SD_DB)
            crossing, falls = line.find_either_way(
                lambda falls: line.find_needle(
                    settings.target_v,
                    about=about,
                    volts_per_db=abs(settings.target_v) / S0_TO_S9_DB,
                    falls=falls,
                )
            )
            found_at = needle_finding(
                "S9 point", crossing, tuple(line.points), limits, settings.target_v, conditions
            )
            return [_told(found_at, nominal_dbm, falls)]
        found, falls = line.find_either_way(lambda falls: line.find_segment(settings.target_v, falls=falls))
        points = tuple(line.points)

        def finding(quantity: str, crossing: Crossing | None) -> Finding:
            found_at = segment_finding(
                quantity, crossing, found, points, limits, settings.target_v, conditions
            )
            return _told(found_at, nominal_dbm, falls)

        return [
            finding("S9 point, rising", found.rising),
            finding("S9 point, falling", found.falling),
            hysteresis_finding("S9 hysteresis", found),
        ]


def _told(finding: Finding, nominal_dbm: float, falls: bool) -> Finding:
    """Return a finding with where S9 should lie, and with the line's direction where it is not the usual one."""
    return replace(finding, nominal=nominal_dbm, note=f"{finding.note}; {FALLS}" if falls else finding.note)


def needle_finding(
    quantity: str,
    crossing: Crossing,
    points: tuple[Point, ...],
    limits: Limits,
    target_v: float,
    conditions: Conditions,
) -> Finding:
    """Return the finding of a level at which a needle crosses ``target_v``; none where the line moves in steps."""
    stands = crossing.status in {
        Status.STUCK,
        Status.NO_RESPONSE,
        Status.DRIFTING,
    }  # still or late, and no bar
    in_steps = not stands and moves_in_steps(crossing, target_v, conditions)
    sought = SoughtLevel(
        quantity=quantity, target_v=target_v, limits=limits, points=points, conditions=conditions
    )
    if not crossing.found or crossing.level_db is None or in_steps:
        note = why_not(crossing) if not crossing.found else "no number is stated"
        return sought.not_found(note + (f"; {IN_STEPS}" if in_steps else ""))
    return sought.found(crossing, how_found(crossing), (voltage_error(target_v, conditions),))


def segment_finding(
    quantity: str,
    crossing: Crossing | None,
    found: SwitchingCrossing,
    points: tuple[Point, ...],
    limits: Limits,
    target_v: float,
    conditions: Conditions,
) -> Finding:
    """Return the finding of a level at which a segment goes on or off."""
    sought = SoughtLevel(
        quantity=quantity, target_v=target_v, limits=limits, points=points, conditions=conditions
    )
    if crossing is None:
        return sought.not_found("; ".join((found.status.value, *found.warnings)))
    if not found.found or crossing.level_db is None:
        return sought.not_found(why_not(crossing))
    return sought.found(crossing, how_switched(crossing, found), (voltage_error(target_v, conditions),))
