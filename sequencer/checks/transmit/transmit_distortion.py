"""Transmit distortion: how clean the unit's own modulation is, on the demodulated tone."""

from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar, Literal

from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import AudioFilters
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import PercentLimit
from sequencer.checks.shared.budgets.filters_made import filters_note, filters_part
from sequencer.checks.shared.transmit.drive_response import (
    RESPONSE_FORECAST_S,
    distortion_changes,
    hold_to_drive,
)
from sequencer.checks.shared.transmit.keyed_readings import (
    Drive,
    Tone,
    analyser_finding,
    drive_text,
    read_settled,
)
from sequencer.inputs.stated import AUDIO_LEAD
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_VOLTAGE

SETTLED_PERCENT = 0.3
DEEMPHASIS_S = (
    750e-6  # 6 dB per octave over the speech band (radio handbooks; see references of DEVELOPERS.md)
)


class TransmitDistortionSettings(CheckSettings):
    """Settings of `transmit_distortion`."""

    check: Literal["transmit_distortion"]
    """Which check this is."""
    drive_v: Drive
    """Level at the microphone input, V rms: usually the one of normal test modulation."""
    tone_hz: Tone = 1000.0
    """Tone at the microphone input."""
    deemphasis: bool = True
    """FM: whether the demodulated audio is de-emphasised (750 µs) before distortion is read."""
    limit: PercentLimit = PercentLimit.unstated()
    """Highest distortion that is right."""


class TransmitDistortion(Check[TransmitDistortionSettings]):
    """Drive with a tone, key the unit, and read distortion and noise of the demodulated audio within 300 Hz to 3 kHz."""

    name: ClassVar[str] = "transmit_distortion"
    summary: ClassVar[str] = "distortion and noise of the unit's own modulation"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    waits: ClassVar[Mapping[str, float]] = {"modulation_analyser": 3.0}
    settings = TransmitDistortionSettings

    @override
    def quantities(self, settings: TransmitDistortionSettings) -> tuple[tuple[str, str], ...]:
        return (("transmit distortion", "%"),)

    def needs(self, settings: TransmitDistortionSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return ("modulation_analyser.distortion", "audio_analyser.voltage", AUDIO_LEAD)

    def commands(self, settings: TransmitDistortionSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.of("modulation_analyser", "distortion") | commands.demodulated_audio(
            deemphasis=conditions.mode == "FM" and settings.deemphasis
        )

    def forecast_s(self, settings: TransmitDistortionSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: four or five readings, and one at a lower drive."""
        return 0.75 + RESPONSE_FORECAST_S

    @override
    def transmit(
        self, side: TransmitSide, settings: TransmitDistortionSettings, conditions: Conditions
    ) -> list[Finding]:
        is_fm = conditions.mode == "FM"
        asked = AudioFilters(
            high_pass_hz=300.0,
            low_pass_hz=3000.0,
            deemphasis_s=DEEMPHASIS_S if is_fm and settings.deemphasis else None,
        )
        side.configure_analyser("FM" if is_fm else "AM", asked)
        made = side.filters_made
        side.apply_audio(tone_hz=settings.tone_hz, level_v=settings.drive_v)
        readings = read_settled(side, side.read_distortion_percent, within=SETTLED_PERCENT)
        finding = analyser_finding(
            "transmit distortion",
            "%",
            readings,
            settings.limit.limits,
            conditions,
            accuracy="distortion",
            note="; ".join(
                filter(None, (drive_text(settings.drive_v, settings.tone_hz), filters_note(asked, made)))
            ),
        )
        if finding.value is not None and finding.budget is not None:
            further = filters_part(asked, made, coefficient=finding.value / DB_PER_RELATIVE_VOLTAGE)
            budget = replace(finding.budget, contributions=(*finding.budget.contributions, *further))
            finding = replace(finding, budget=budget)
        held = hold_to_drive(
            side,
            [finding],
            side.read_distortion_percent,
            before=finding.value,
            tone_hz=settings.tone_hz,
            level_v=settings.drive_v,
            conditions=conditions,
            follows=distortion_changes,
        )
        side.configure_analyser("FM" if is_fm else "AM")
        return held
