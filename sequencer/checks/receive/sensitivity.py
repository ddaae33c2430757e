"""Sensitivity: the level at which the receiver just meets its target, found by stepping the generator."""

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.people import SEARCHED, WEIGHED
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import LevelLimit
from sequencer.checks.shared.budgets.level_budget import how_found, level_budget, why_not
from sequencer.checks.shared.level_search.sensitivity import (
    SensitivityFound,
    SensitivitySettingsBase,
    find_sensitivity,
)
from sequencer.checks.shared.level_search.signal_proof import PROOF_FORECAST_S, UNLIKELY_DBM
from sequencer.checks.shared.readings.operator import is_by_hand
from sequencer.files.fields import Percent, between
from sequencer.safety.receive import ReceiveSide


class SensitivitySettings(SensitivitySettingsBase):
    """Settings of `sensitivity`."""

    check: Literal["sensitivity"]
    """Which check this is."""
    depth_percent: Annotated[Percent, AfterValidator(between(1.0, 100.0, "%"))] = 30.0
    """AM: depth of the generator; 30 % is customary for sensitivity."""
    limit: LevelLimit = LevelLimit.unstated()
    """The level at which it must hear: usually a max."""


class Sensitivity(Check[SensitivitySettings]):
    """Step the generator until SINAD, (S+N)/N or quieting crosses its target; report the level at the antenna connector."""

    name: ClassVar[str] = "sensitivity"
    summary: ClassVar[str] = "level at the antenna connector for 12 dB SINAD, 10 dB (S+N)/N or 20 dB quieting"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    depends_on: ClassVar[DependsOn] = frozenset()
    waits: ClassVar[Mapping[str, float]] = {"signal_generator": 6.0, "audio_analyser": 5.5}
    settings = SensitivitySettings

    @override
    def quantities(self, settings: SensitivitySettings) -> tuple[tuple[str, str], ...]:
        return ((f"sensitivity, {settings.target_words}", "dBm"),)

    def needs(self, settings: SensitivitySettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return settings.sensitivity_needs(conditions)

    def demands(self, settings: SensitivitySettings, conditions: Conditions) -> list[Demand]:
        """Return what the plan has to prove."""
        return settings.sensitivity_demands(conditions)

    def commands(self, settings: SensitivitySettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.sensitivity(settings, conditions.mode)

    def readings(self, settings: SensitivitySettings, conditions: Conditions) -> float:
        """Return about how many readings it takes by hand: one search, of two readings each where noise is read apart."""
        return (
            WEIGHED
            if settings.target.kind == "SINAD"
            else SEARCHED * (2 if settings.target.kind == "(S+N)/N" else 1)
        )

    def forecast_s(self, settings: SensitivitySettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: the search's own figures, which go with the square of the accuracy."""
        return settings.sensitivity_forecast_s(conditions)

    @override
    def failing_s(self, settings: SensitivitySettings, conditions: Conditions) -> float:
        by_hand = is_by_hand(conditions, "audio_analyser")
        return 0.0 if settings.limit.limits.upper is None or by_hand else PROOF_FORECAST_S

    def receive(
        self, side: ReceiveSide, settings: SensitivitySettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure; a level that would fail is proved to be of the generator's signal first."""
        most_dbm = settings.limit.limits.upper
        doubted_dbm = UNLIKELY_DBM if most_dbm is None else min(UNLIKELY_DBM, most_dbm)
        found = find_sensitivity(side, settings, conditions, doubted_above_dbm=doubted_dbm)
        return [_finding(found, settings, conditions)]


def _finding(found: SensitivityFound, settings: SensitivitySettings, conditions: Conditions) -> Finding:
    quantity, limits, crossing = (
        f"sensitivity, {settings.target_words}",
        settings.limit.limits,
        found.crossing,
    )
    if crossing is None or not crossing.found or crossing.level_db is None:
        note = found.why_not_found if crossing is None else why_not(crossing)
        return Finding(
            quantity=quantity,
            value=None,
            unit="dBm",
            limits=limits,
            note=note,
            points=found.points,
            target=settings.target.ratio_db,
            target_unit=settings.target.unit,
        )
    return Finding(
        quantity=quantity,
        value=crossing.level_db,
        unit="dBm",
        limits=limits,
        budget=level_budget(quantity, crossing, found.read_errors, conditions, found.further),
        note="; ".join(part for part in (how_found(crossing), found.note) if part),
        points=found.points,
        target=settings.target.ratio_db,
        target_unit=settings.target.unit,
        slope=crossing.slope,
        levels_as_made=True,
    )
