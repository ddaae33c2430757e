"""Modulation depth: how far speech swings an AM carrier up and down."""

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, model_validator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import PeakSide, Reading, Samples
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import PercentLimit
from sequencer.checks.shared.budgets.pooled_scatter import pooled
from sequencer.checks.shared.transmit.drive_response import RESPONSE_FORECAST_S, hold_to_drive
from sequencer.checks.shared.transmit.keyed_readings import (
    AUDIO_UPPER_HZ,
    Drive,
    Tone,
    analyser_finding,
    drive_text,
    raised_v,
    read_baseband,
    read_settled,
    record_baseband,
)
from sequencer.files.fields import RatioDb, between
from sequencer.inputs.stated import AUDIO_LEAD
from sequencer.safety.transmit import TransmitSide

SETTLED_PERCENT = 0.5


class ModulationDepthSettings(CheckSettings):
    """Settings of `modulation_depth`."""

    check: Literal["modulation_depth"]
    """Which check this is."""
    drive_v: Drive
    """Level at the microphone input, V rms."""
    above_db: Annotated[RatioDb, AfterValidator(between(0.0, 60.0, "dB"))] = 0.0
    """How far above `drive` the unit is driven: 20 dB shows what the limiter holds."""
    tone_hz: Tone = 1000.0
    """Tone at the microphone input."""
    read: Literal["analyser", "samples"] = "analyser"
    """Whether the analyser's own reading counts, or what is worked out from its baseband samples."""
    limit: PercentLimit = PercentLimit.unstated()
    """Lowest and highest peak depth that is right, for either side."""

    @model_validator(mode="after")
    def _bears_the_drive(self) -> "ModulationDepthSettings":
        raised_v(self.drive_v, self.above_db)
        return self


class ModulationDepth(Check[ModulationDepthSettings]):
    """Drive the microphone input with a tone, key the unit, and read both peaks of the depth."""

    name: ClassVar[str] = "modulation_depth"
    summary: ClassVar[str] = "AM depth of both peaks"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"AM"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    waits: ClassVar[Mapping[str, float]] = {"modulation_analyser": 4.0}
    settings = ModulationDepthSettings

    @override
    def quantities(self, settings: ModulationDepthSettings) -> tuple[tuple[str, str], ...]:
        return ((_quantity("positive", settings), "%"), (_quantity("negative", settings), "%"))

    def needs(self, settings: ModulationDepthSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return ("modulation_analyser.depth", "audio_analyser.voltage", AUDIO_LEAD)

    def commands(self, settings: ModulationDepthSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.peak_modulation("AM")

    def forecast_s(self, settings: ModulationDepthSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: four or five readings of either side, and one at a lower drive."""
        return 1.45 + RESPONSE_FORECAST_S

    @override
    def may_join_key(self, settings: ModulationDepthSettings) -> bool:
        return settings.read == "analyser"  # what is worked out from samples takes its time

    @override
    def transmit(
        self, side: TransmitSide, settings: ModulationDepthSettings, conditions: Conditions
    ) -> list[Finding]:
        level_v = raised_v(settings.drive_v, settings.above_db)
        side.apply_audio(tone_hz=settings.tone_hz, level_v=level_v)
        findings = [_measure(side, which, level_v, settings, conditions) for which in _SIDES]
        held = hold_to_drive(
            side,
            pooled(findings, "repeatability"),
            lambda: _read_once(side, _SIDES[0], settings),
            before=findings[0].value,
            tone_hz=settings.tone_hz,
            level_v=level_v,
            conditions=conditions,
        )
        side.rest()
        return held


_SIDES: tuple[PeakSide, PeakSide] = ("positive", "negative")


def _measure(
    side: TransmitSide,
    which: PeakSide,
    level_v: float,
    settings: ModulationDepthSettings,
    conditions: Conditions,
) -> Finding:
    note = drive_text(level_v, settings.tone_hz)
    if settings.read == "samples":
        note += "; from baseband samples"
        readings = read_baseband(
            side, lambda samples: _peak_of(samples, which, settings.tone_hz), within=SETTLED_PERCENT
        )
    else:
        readings = read_settled(side, lambda: side.read_depth_percent(which), within=SETTLED_PERCENT)
    return analyser_finding(
        _quantity(which, settings),
        "%",
        readings,
        settings.limit.limits,
        conditions,
        accuracy="depth",
        note=note,
    )


def _read_once(side: TransmitSide, which: PeakSide, settings: ModulationDepthSettings) -> Reading:
    if settings.read == "samples":
        return record_baseband(side, lambda samples: _peak_of(samples, which, settings.tone_hz))
    return side.read_depth_percent(which)


def _peak_of(samples: Samples, which: PeakSide, tone_hz: float) -> float:
    from sequencer.dsp.baseband import read_am

    found = read_am(samples.content, samples.rate_hz, audio_upper_hz=AUDIO_UPPER_HZ, tone_hz=tone_hz)
    return found.positive_peak_percent if which == "positive" else found.negative_peak_percent


def _quantity(which: str, settings: ModulationDepthSettings) -> str:
    above = f", {settings.above_db:g} dB above" if settings.above_db else ""
    return f"modulation depth, {which}{above}"
