"""Sensitivity: the level at which the receiver just meets a SINAD target, found by stepping the generator."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field

from sequencer.checks.base import Check, CheckSettings, Conditions, Demand, Finding, LevelLimit, Side
from sequencer.checks.by_hand import accuracy_db, find_with_person, reading_budget, reading_times
from sequencer.checks.receiving import (
    LevelWindow,
    SearchAccuracyDb,
    Stepper,
    how_found,
    level_budget,
    why_not,
)
from sequencer.checks.targets import SinadTarget, Target
from sequencer.curve_prior import fm_sinad_prior
from sequencer.curve_search import CurveSearch
from sequencer.file_types import FrequencyDifferenceHz, FrequencyHz, between
from sequencer.safety import ReceiveSide
from sequencer.search import Settling

# How loudspeaker audio comes to rest after a step: limiter and analyser, some tens of milliseconds. Common practice, no source.
AUDIO_SETTLING = Settling(rise_s=0.015, fall_s=0.015, least_s=0.03, doubt=0.5)
SINAD_RANGE_DB = (0.0, 60.0)


class SensitivitySettings(CheckSettings):
    """Settings of `sensitivity`."""

    check: Literal["sensitivity"]
    """Which check this is."""
    target: Target = SinadTarget(sinad_db=12.0)
    """The SINAD at which the receiver counts as hearing."""
    tone_hz: Annotated[FrequencyHz, AfterValidator(between(20.0, 20_000.0, "Hz"))] = 1000.0
    """Modulating tone."""
    deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))] = 1200.0
    """Peak deviation of the generator; 60 % of the permitted maximum is customary."""
    deemphasis: bool = True
    """Whether the unit's audio is de-emphasised (6 dB per octave); helps the search predict, and changes no result."""
    accuracy_db: SearchAccuracyDb = 0.5
    """Half-width of the 95 % interval at which the search may stop."""
    levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels the search may use."""
    limit: LevelLimit = LevelLimit()
    """The level at which it must hear: usually a max."""


class Sensitivity(Check[SensitivitySettings]):
    """Step the generator until SINAD crosses its target; report the level at the antenna connector."""

    name: ClassVar[str] = "sensitivity"
    summary: ClassVar[str] = "level at the antenna connector for a SINAD target"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    settings = SensitivitySettings

    def quantities(self, settings: SensitivitySettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        return ((f"sensitivity, {settings.target}", "dBm"),)

    def demands(self, settings: SensitivitySettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it may use."""
        return settings.levels.demands(conditions)

    def forecast_s(self, settings: SensitivitySettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: the search's own figures, which go with the square of the accuracy."""
        return 0.5 + 1.5 * max(0.6, float((0.5 / settings.accuracy_db) ** 1.5))

    def receive(
        self, side: ReceiveSide, settings: SensitivitySettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure."""
        quantity = f"sensitivity, {settings.target}"
        window_dbm = settings.levels.bounds_dbm(conditions)
        search = CurveSearch(
            target=settings.target.sinad_db,
            window_db=window_dbm,
            accuracy_db=accuracy_db(
                settings.accuracy_db,
                is_stated="accuracy_db" in settings.model_fields_set,
                conditions=conditions,
                reader="audio_analyser",
            ),
            reading_s=reading_times(conditions, "audio_analyser"),
            budget=reading_budget(conditions, "audio_analyser", 60),
            prior=fm_sinad_prior(
                deviation_hz=settings.deviation_hz,
                deemphasis=settings.deemphasis,
                tone_hz=settings.tone_hz,
                target_db=settings.target.sinad_db,
            ),
            settling=AUDIO_SETTLING,
            reading_range=SINAD_RANGE_DB,
        )
        first_dbm = search.ask.level_db if search.ask is not None else window_dbm[1]
        side.apply_fm(first_dbm, deviation_hz=settings.deviation_hz, tone_hz=settings.tone_hz)
        stepper = Stepper(side, conditions, side.read_sinad_db, unit="dB")
        crossing = find_with_person(search, stepper.measure, stepper.points, conditions, "audio_analyser")
        limits, points = settings.limit.limits, tuple(stepper.points)
        if not crossing.found or crossing.level_db is None:
            return [
                Finding(
                    quantity=quantity,
                    value=None,
                    unit="dBm",
                    limits=limits,
                    note=why_not(crossing),
                    points=points,
                )
            ]
        entry = conditions.bench.with_role("audio_analyser")
        half_width_db = entry[1].accuracy.sinad_db if entry is not None else 0.0
        return [
            Finding(
                quantity=quantity,
                value=crossing.level_db,
                unit="dBm",
                limits=limits,
                budget=level_budget(quantity, crossing, half_width_db, "SINAD", conditions),
                note=how_found(crossing),
                points=points,
            )
        ]
