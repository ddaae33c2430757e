"""Audio response: how the modulation follows the tone's frequency, against 1 kHz."""

from __future__ import annotations

import math
import statistics
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator

from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.checks.shared.transmit import Drive, Tone, not_read, numbers
from sequencer.files.fields import RatioDb, at_least
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import instrument_accuracy, repeatability
from sequencer.uncertainty.decision import Limits

REFERENCE_HZ = 1000.0
FLATNESS_PERCENT = (
    1.0  # what an analyser's own response may differ between two tones: common practice, no source
)
PER_RELATIVE_DB = 20.0 / math.log(10.0)


class AudioResponseSettings(CheckSettings):
    """Settings of `audio_response`."""

    check: Literal["audio_response"]
    """Which check this is."""
    drive_v: Drive
    """Level at the microphone input, V rms; low enough that the limiter stays out of it: 20 % of maximum at 1 kHz is customary."""
    tones_hz: Annotated[tuple[Tone, ...], *SOME] = (300.0, 500.0, 700.0, 1500.0, 2000.0, 2500.0, 3000.0)
    """The tones, beside 1 kHz itself."""
    emphasis: Literal["6 dB per octave", "flat"] | None = None
    """What is ideal: modulation that rises by 6 dB per octave, or that is flat; without it the former in FM, the latter in AM."""
    within_db: Annotated[RatioDb, AfterValidator(at_least(0.0, "dB"))] | None = None
    """How far from ideal is still right; without it the response is reported and not judged."""

    def ideal(self, tone_hz: float, mode: str) -> tuple[float, str]:
        """Return the ideal response at ``tone_hz`` against 1 kHz, dB, and what is ideal in words."""
        emphasis = self.emphasis or ("6 dB per octave" if mode == "FM" else "flat")
        return (20.0 * math.log10(tone_hz / REFERENCE_HZ) if emphasis != "flat" else 0.0), emphasis


class AudioResponse(Check[AudioResponseSettings]):
    """Drive with equal levels of each tone and compare the modulation with that at 1 kHz."""

    name: ClassVar[str] = "audio_response"
    summary: ClassVar[str] = "modulation over tones, against 1 kHz"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    settings = AudioResponseSettings

    def quantities(self, settings: AudioResponseSettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        return tuple((_quantity(tone_hz), "dB") for tone_hz in settings.tones_hz)

    def forecast_s(self, settings: AudioResponseSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: three readings at each tone and at 1 kHz."""
        return 0.4 * (len(settings.tones_hz) + 1)

    def transmit(
        self, side: TransmitSide, settings: AudioResponseSettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure."""
        read = side.read_rms_deviation_hz if conditions.mode == "FM" else side.read_rms_depth_percent
        modulation: dict[float, list[float]] = {}
        findings: list[Finding] = []
        for tone_hz in (REFERENCE_HZ, *settings.tones_hz):
            side.apply_audio(tone_hz=tone_hz, level_v=settings.drive_v)
            readings = [read() for _ in range(3)]
            found = numbers(readings)
            if found is None or min(found) <= 0:
                findings.append(not_read(_quantity(tone_hz), "dB", Limits(), "modulation analyser", readings))
            else:
                modulation[tone_hz] = found
        side.rest()
        if REFERENCE_HZ not in modulation:
            return findings
        findings += [
            _finding(tone_hz, modulation[tone_hz], modulation[REFERENCE_HZ], settings, conditions.mode)
            for tone_hz in settings.tones_hz
            if tone_hz in modulation
        ]
        return findings


def _finding(
    tone_hz: float, found: list[float], reference: list[float], settings: AudioResponseSettings, mode: str
) -> Finding:
    here, there = statistics.fmean(found), statistics.fmean(reference)
    response_db = 20.0 * math.log10(here / there)
    ideal_db, emphasis = settings.ideal(tone_hz, mode)
    limits = Limits() if settings.within_db is None else Limits.around(ideal_db, settings.within_db)
    budget = Budget(
        quantity=_quantity(tone_hz),
        unit="dB",
        value=response_db,
        contributions=(
            instrument_accuracy(
                "analyser, response between the tones", PER_RELATIVE_DB * FLATNESS_PERCENT / 100.0, unit="dB"
            ),
            repeatability("repeatability", found, coefficient=PER_RELATIVE_DB / here),
            repeatability("repeatability at 1 kHz", reference, coefficient=PER_RELATIVE_DB / there),
        ),
    )
    return Finding(
        quantity=_quantity(tone_hz),
        value=response_db,
        unit="dB",
        limits=limits,
        budget=budget,
        note=f"ideal {ideal_db:+.1f} dB ({emphasis})",
        axis="audio frequency",
        axis_value=tone_hz,
        axis_unit="Hz",
        nominal=ideal_db,
    )


def _quantity(tone_hz: float) -> str:
    return f"audio response at {tone_hz:g} Hz"
