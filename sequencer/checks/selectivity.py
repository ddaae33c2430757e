"""Selectivity: how much stronger a modulated signal beside the channel may be before it spoils reception."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator

from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.shared.two_signal import Interference, TwoSignalSettings, find_ratios, ratio_quantities
from sequencer.files.fields import FrequencyDifferenceHz, FrequencyHz, Percent, between
from sequencer.safety.receive import ReceiveSide

QUANTITY = "selectivity"


class SelectivitySettings(TwoSignalSettings):
    """Settings of `selectivity`. The interferer's 400 Hz and 60 % are from memory of EN 300 086."""

    check: Literal["selectivity"]
    """Which check this is."""
    interferer_tone_hz: Annotated[FrequencyHz, AfterValidator(between(20.0, 20_000.0, "Hz"))] = 400.0
    """FM and AM: modulating tone of the interferer."""
    interferer_deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(0.0, 1e5, "Hz"))] = (
        1200.0
    )
    """FM: peak deviation of the interferer; 60 % of the permitted maximum is customary."""
    interferer_depth_percent: Annotated[Percent, AfterValidator(between(0.0, 100.0, "%"))] = 60.0
    """AM: depth of the interferer. In SSB and CW it is not modulated."""


class Selectivity(Check[SelectivitySettings]):
    """Raise a modulated interferer beside the channel until SINAD of the wanted signal has fallen back to its target."""

    name: ClassVar[str] = "selectivity"
    summary: ClassVar[str] = (
        "ratio of a modulated signal beside the channel to the wanted one that spoils reception"
    )
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    generators: ClassVar[int] = 2
    settings = SelectivitySettings

    def quantities(self, settings: SelectivitySettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        return ratio_quantities(QUANTITY, settings)

    def demands(self, settings: SelectivitySettings, conditions: Conditions) -> list[Demand]:
        """Return what the plan has to prove."""
        return settings.two_signal_demands(conditions)

    def forecast_s(self, settings: SelectivitySettings, conditions: Conditions) -> float:
        """Return about how long it takes, s."""
        return settings.two_signal_forecast_s(conditions)

    def receive(
        self, side: ReceiveSide, settings: SelectivitySettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure."""

        def apply(level_dbm: float, offset_hz: float) -> None:
            side.apply_interferer(
                level_dbm,
                offset_hz=offset_hz,
                deviation_hz=settings.interferer_deviation_hz if conditions.mode == "FM" else 0.0,
                depth_percent=settings.interferer_depth_percent if conditions.mode == "AM" else 0.0,
                tone_hz=settings.interferer_tone_hz,
            )

        return find_ratios(side, settings, conditions, Interference(quantity=QUANTITY, apply=apply))
