"""Audio response: how the modulation follows the tone's frequency, against 1 kHz."""

import math
import statistics
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.budgets.pooled_scatter import pooled
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing_share
from sequencer.checks.shared.readings.tone_response import (
    PER_RELATIVE_DB,
    REFERENCE_HZ,
    Emphasis,
    ideal_db,
    slope_at,
)
from sequencer.checks.shared.transmit.drive_response import RESPONSE_FORECAST_S, hold_to_drive
from sequencer.checks.shared.transmit.keyed_readings import Drive, Tone, not_read, numbers
from sequencer.files.fields import RatioDb, at_least
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.contributions import repeatability
from sequencer.uncertainty.decision import Limits

STEADY = 0.01  # what an rms reading of a steady tone scatters by, at most: common practice, no source


class AudioResponseSettings(CheckSettings):
    """Settings of `audio_response`."""

    check: Literal["audio_response"]
    """Which check this is."""
    drive_v: Drive
    """Level at the microphone input, V rms; low enough that the limiter stays out of it: 20 % of maximum at 1 kHz is customary."""
    tones_hz: Annotated[tuple[Tone, ...], *SOME] = (300.0, 500.0, 700.0, 1500.0, 2000.0, 2500.0, 3000.0)
    """The tones, beside 1 kHz itself."""
    emphasis: Emphasis | None = None
    """What is ideal: modulation that rises by 6 dB per octave, or that is flat; without it the former in FM, the latter in AM."""
    within_db: Annotated[RatioDb, AfterValidator(at_least(0.0, "dB"))] | None = None
    """How far from ideal is still right; without it the response is reported and not judged."""

    def ideal(self, tone_hz: float, mode: str) -> tuple[float, str]:
        """Return the ideal response at ``tone_hz`` against 1 kHz, dB, and what is ideal in words."""
        emphasis: Emphasis = self.emphasis or ("6 dB per octave" if mode == "FM" else "flat")
        return ideal_db(tone_hz, emphasis), emphasis


class AudioResponse(Check[AudioResponseSettings]):
    """Drive with equal levels of each tone and compare the modulation with that at 1 kHz."""

    name: ClassVar[str] = "audio_response"
    summary: ClassVar[str] = "modulation over tones, against 1 kHz"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    limit_keys = MappingProxyType({"": "within"})
    settings = AudioResponseSettings

    @override
    def quantities(self, settings: AudioResponseSettings) -> tuple[tuple[str, str], ...]:
        return tuple((_quantity(tone_hz), "dB") for tone_hz in settings.tones_hz)

    @override
    def limits_of(self, settings: AudioResponseSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return tuple(_limits(tone_hz, settings, conditions) for tone_hz in settings.tones_hz)

    def needs(self, settings: AudioResponseSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return ("modulation_analyser.flatness", "audio_analyser.frequency")

    def commands(self, settings: AudioResponseSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.rms_modulation(conditions.mode)

    @override
    def waits_of(self, settings: AudioResponseSettings, conditions: Conditions) -> Mapping[str, float]:
        return {"modulation_analyser": 1.0 + 3.0 * (len(settings.tones_hz) + 1)}

    def forecast_s(self, settings: AudioResponseSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: three readings at each tone and at 1 kHz, and one at a lower drive."""
        return 0.4 * (len(settings.tones_hz) + 1) + RESPONSE_FORECAST_S

    @override
    def transmit(
        self, side: TransmitSide, settings: AudioResponseSettings, conditions: Conditions
    ) -> list[Finding]:
        read = side.read_rms_deviation_hz if conditions.mode == "FM" else side.read_rms_depth_percent
        modulation: dict[float, list[float]] = {}
        steps: dict[float, float] = {}
        findings: list[Finding] = []
        for tone_hz in (REFERENCE_HZ, *settings.tones_hz):
            side.apply_audio(tone_hz=tone_hz, level_v=settings.drive_v)
            readings = agreeing_share([read() for _ in range(3)], read, share=STEADY)
            found = numbers(readings)
            if found is None or min(found) <= 0:
                findings.append(_not_read(tone_hz, readings, settings, conditions))
            else:
                modulation[tone_hz] = found
                steps[tone_hz] = step_seen(readings)
        if REFERENCE_HZ not in modulation:
            side.rest()
            return findings
        findings += [
            _finding(tone_hz, modulation, max(steps.values()), settings, conditions)
            for tone_hz in settings.tones_hz
            if tone_hz in modulation
        ]
        held = hold_to_drive(
            side,
            pooled(findings, "repeatability"),
            read,
            before=statistics.fmean(modulation[REFERENCE_HZ]),
            tone_hz=REFERENCE_HZ,
            level_v=settings.drive_v,
            conditions=conditions,
        )
        side.rest()
        return held


def _limits(tone_hz: float, settings: AudioResponseSettings, conditions: Conditions) -> Limits:
    if settings.within_db is None or tone_hz not in settings.tones_hz:
        return Limits()
    return Limits.around(settings.ideal(tone_hz, conditions.mode)[0], settings.within_db)


def _not_read(
    tone_hz: float, readings: Sequence[Reading], settings: AudioResponseSettings, conditions: Conditions
) -> Finding:
    limits = _limits(tone_hz, settings, conditions)
    return not_read(_quantity(tone_hz), "dB", limits, "modulation analyser", readings)


def _finding(
    tone_hz: float,
    modulation: Mapping[float, list[float]],
    step: float,
    settings: AudioResponseSettings,
    conditions: Conditions,
) -> Finding:
    found, reference = modulation[tone_hz], modulation[REFERENCE_HZ]
    here, there = statistics.fmean(found), statistics.fmean(reference)
    response_db = 20.0 * math.log10(here / there)
    nominal_db, emphasis = settings.ideal(tone_hz, conditions.mode)
    bench, parts = conditions.bench, Parts(conditions.bench)
    flatness = HalfWidth.of(bench, "modulation_analyser", "flatness")
    in_db = None if flatness is None else flatness.in_db()
    parts.accuracy("analyser, response between the tones", in_db, unit="dB")
    source = HalfWidth.of(bench, "audio_analyser", "frequency")
    relative = None if source is None else source.times(1e-6)
    parts.accuracy("audio source, frequency", relative, coefficient=slope_at(tone_hz, modulation))
    parts.add(
        repeatability("repeatability", found, step=step, coefficient=PER_RELATIVE_DB / here),
        repeatability("repeatability at 1 kHz", reference, step=step, coefficient=PER_RELATIVE_DB / there),
    )
    budget = parts.budget(_quantity(tone_hz), "dB", response_db)
    return Finding(
        quantity=_quantity(tone_hz),
        value=response_db,
        unit="dB",
        limits=_limits(tone_hz, settings, conditions),
        budget=budget,
        note=f"ideal {nominal_db:+.1f} dB ({emphasis})",
        axis="audio frequency",
        axis_value=tone_hz,
        axis_unit="Hz",
        nominal=nominal_db,
    )


def _quantity(tone_hz: float) -> str:
    return f"audio response at {tone_hz:g} Hz"
