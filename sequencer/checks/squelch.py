"""Squelch: the levels at which it opens and closes, and the hysteresis between them."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field

from sequencer.checks.base import Check, CheckSettings, Conditions, Demand, Finding, LevelLimit, Side
from sequencer.checks.limits import RatioLimit
from sequencer.checks.receiving import LevelWindow, SearchAccuracyDb, Stepper, how_found, level_budget
from sequencer.contributions import search_interval
from sequencer.decision import Limits
from sequencer.file_types import FrequencyDifferenceHz, TimeS, VoltageV, at_least, between
from sequencer.receive_side import ReceiveSide
from sequencer.search import Ask, Crossing, NoReading, Settling, SwitchingCrossing, find_crossing
from sequencer.switching_search import SwitchingSearch
from sequencer.uncertainty import Budget

DWELL_S = 0.1


class SquelchSettings(CheckSettings):
    """Settings of `squelch`."""

    check: Literal["squelch"]
    """Which check this is."""
    open_above_v: Annotated[VoltageV, AfterValidator(between(1e-4, 10.0, "V"))] = 0.1
    """Loudspeaker voltage above which the squelch counts as open: far above a muted amplifier, far below hiss."""
    deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))] = 1200.0
    """Peak deviation at 1 kHz: an open receiver with an unmodulated carrier would be as silent as a closed one."""
    settling_s: Annotated[TimeS, AfterValidator(at_least(0.0, "s"))] = 0.06
    """Time constant with which the squelch follows the level; about is enough."""
    accuracy_db: SearchAccuracyDb = 0.5
    """Half-width of the 95 % interval at which the search may stop, for each of both levels."""
    levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels the search may use."""
    opening: LevelLimit = LevelLimit()
    """Where it must open: usually a max."""
    hysteresis: RatioLimit = RatioLimit()
    """How far apart opening and closing may lie."""


class Squelch(Check[SquelchSettings]):
    """Step a modulated carrier up and down until the loudspeaker falls silent and speaks again."""

    name: ClassVar[str] = "squelch"
    summary: ClassVar[str] = "levels at which the squelch opens and closes, and its hysteresis"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    settings = SquelchSettings

    def quantities(self, settings: SquelchSettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        return (("squelch opens", "dBm"), ("squelch closes", "dBm"), ("squelch hysteresis", "dB"))

    def demands(self, settings: SquelchSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it may use."""
        return settings.levels.demands(conditions)

    def forecast_s(self, settings: SquelchSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: some 25 looks."""
        return 1.0 + 25.0 * (DWELL_S + 4.0 * settings.settling_s)

    def receive(self, side: ReceiveSide, settings: SquelchSettings, conditions: Conditions) -> list[Finding]:
        """Measure."""
        search = SwitchingSearch(
            window_db=settings.levels.bounds_dbm(conditions),
            accuracy_db=settings.accuracy_db,
            settling=Settling(
                rise_s=settings.settling_s, fall_s=settings.settling_s, least_s=0.03, doubt=0.5
            ),
            dwell_s=DWELL_S,
        )
        first = search.ask
        first_dbm = first.level_db if first is not None else settings.levels.bounds_dbm(conditions)[0]
        side.apply_fm(first_dbm, deviation_hz=settings.deviation_hz, tone_hz=1000.0)
        side.wait_s(10.0 * settings.settling_s)
        stepper = Stepper(side, conditions, side.read_audio_v, unit="V")

        def is_open(ask: Ask) -> bool | NoReading:
            reading = stepper.measure(ask)
            return reading if isinstance(reading, NoReading) else reading > settings.open_above_v

        found = find_crossing(search, is_open)
        return [
            _level("squelch opens", found.rising, found, settings.opening.limits, conditions, stepper),
            _level("squelch closes", found.falling, found, Limits(), conditions, stepper),
            _hysteresis(found, settings.hysteresis.limits),
        ]


def _level(
    quantity: str,
    crossing: Crossing | None,
    found: SwitchingCrossing,
    limits: Limits,
    conditions: Conditions,
    stepper: Stepper,
) -> Finding:
    points = tuple(stepper.points)
    if not found.found or crossing is None or crossing.level_db is None:
        note = "; ".join((f"{found.status.value} after {found.readings} looks", *found.warnings))
        return Finding(quantity=quantity, value=None, unit="dBm", limits=limits, note=note, points=points)
    return Finding(
        quantity=quantity,
        value=crossing.level_db,
        unit="dBm",
        limits=limits,
        budget=level_budget(quantity, crossing, 0.0, "", conditions),
        note=f"{how_found(crossing)}; dwell {found.dwell_s:g} s; {found.approach}",
        points=points,
    )


def _hysteresis(found: SwitchingCrossing, limits: Limits) -> Finding:
    if found.hysteresis_db is None:
        return Finding(
            quantity="squelch hysteresis", value=None, unit="dB", limits=limits, note=found.status.value
        )
    interval = search_interval("search, 95 % interval", found.hysteresis_half_width_db, unit="dB")
    budget = Budget(
        quantity="squelch hysteresis", unit="dB", value=found.hysteresis_db, contributions=(interval,)
    )
    return Finding(
        quantity="squelch hysteresis", value=found.hysteresis_db, unit="dB", limits=limits, budget=budget
    )
