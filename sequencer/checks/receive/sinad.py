"""SINAD at one level: the audio analyser's own answer, and the same worked out from the samples it hands over."""

import statistics
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.levels import LevelWindow, one_level
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.budgets.level_budget import LEVEL_NEEDS, level_parts
from sequencer.checks.shared.budgets.parts import Parts
from sequencer.checks.shared.level_search.sensitivity_reader import (
    analyser_error,
    modulation_errors,
    reading_needs,
)
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing
from sequencer.dsp.samples import SamplesError
from sequencer.files.fields import (
    FrequencyDifferenceHz,
    FrequencyHz,
    LevelDbm,
    RatioDb,
    TimeS,
    at_least,
    between,
)
from sequencer.safety.receive import ReceiveSide
from sequencer.uncertainty.contributions import repeatability
from sequencer.uncertainty.decision import Limits

SETTLE_S = 0.3
READINGS = 4
STEADY_DB = 0.6  # what SINAD read at a level scatters by, at most: common practice, no source
SLOPE_READINGS = 2
STEP_DB = 2.0  # small enough to stay on the curve, large enough to stand out of the noise; workshop's own
SAMPLE_RATE_HZ = 48e3
FOLLOWS = 0.25  # dB per dB: a SINAD that falls by less in one step may stand at its ceiling, or its level may stand still
NO_TONE_DB = 3.0  # below it there is as much noise as tone, and little left to fall


class SinadSettings(CheckSettings):
    """Settings of `sinad`."""

    check: Literal["sinad"]
    """Which check this is."""
    level_dbm: LevelDbm
    """Level at the antenna connector."""
    tone_hz: Annotated[FrequencyHz, AfterValidator(between(20.0, 20_000.0, "Hz"))] = 1000.0
    """Modulating tone."""
    deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))] = 1200.0
    """Peak deviation of the generator."""
    reading_s: Annotated[TimeS, AfterValidator(between(0.1, 10.0, "s"))] = 0.5
    """How long one reading, or one recording, takes."""
    limit: RatioLimit = RatioLimit.unstated()
    """Lowest and highest SINAD that is right, by the analyser's own answer."""
    agree_within_db: Annotated[RatioDb, AfterValidator(at_least(0.0, "dB"))] | None = None
    """How far samples and analyser may differ; without it the difference is reported and not judged."""


class Sinad(Check[SinadSettings]):
    """Apply FM at a level, read SINAD with the analyser, record as long, and work SINAD out from the samples."""

    name: ClassVar[str] = "sinad"
    summary: ClassVar[str] = "SINAD at a level, by the analyser and from its samples"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    depends_on: ClassVar[DependsOn] = frozenset()
    waits: ClassVar[Mapping[str, float]] = {"signal_generator": 4.0, "audio_analyser": 4.0}
    limit_keys = MappingProxyType(
        {"SINAD, analyser": "limit", "SINAD, samples less analyser": "agree_within"}
    )
    settings = SinadSettings

    @override
    def quantities(self, settings: SinadSettings) -> tuple[tuple[str, str], ...]:
        return (("SINAD, analyser", "dB"), ("SINAD, samples", "dB"), ("SINAD, samples less analyser", "dB"))

    @override
    def limits_of(self, settings: SinadSettings, conditions: Conditions) -> tuple[Limits, ...]:
        within_db = settings.agree_within_db
        return (
            settings.limit.limits,
            Limits(),
            Limits() if within_db is None else Limits.around(0.0, within_db),
        )

    def demands(self, settings: SinadSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it uses."""
        return one_level(settings.level_dbm, step_db=STEP_DB, proves=True)

    def needs(self, settings: SinadSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return (*LEVEL_NEEDS, *reading_needs("SINAD", "FM"))

    def commands(self, settings: SinadSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return (
            commands.generator_modulation("FM")
            | commands.of("audio_analyser", "sinad")
            | commands.recording("audio_analyser")
        )

    @override
    def forecast_s(self, settings: SinadSettings, conditions: Conditions) -> float:
        return 3.0 * SETTLE_S + (2.0 * READINGS + SLOPE_READINGS + 1) * settings.reading_s

    @override
    def receive(self, side: ReceiveSide, settings: SinadSettings, conditions: Conditions) -> list[Finding]:
        side.configure_audio(tone_hz=settings.tone_hz)
        side.apply_fm(settings.level_dbm, deviation_hz=settings.deviation_hz, tone_hz=settings.tone_hz)
        side.wait_s(SETTLE_S)
        shown = [side.read_sinad_db(settings.reading_s) for _ in range(READINGS)]
        shown = agreeing(shown, lambda: side.read_sinad_db(settings.reading_s), within=STEADY_DB)
        own = [reading.number for reading in shown if reading.number is not None]
        try:
            worked_out = [_sampled(side, settings) for _ in range(READINGS)]
            worked_out = agreeing(worked_out, lambda: _sampled(side, settings), within=STEADY_DB)
        except SamplesError as error:
            return self._nothing(settings, conditions, str(error))
        if len(own) < len(shown):
            state = next(reading.state.value for reading in shown if reading.number is None)
            return self._nothing(settings, conditions, f"audio analyser: {state}")
        sampled = [one.number for one in worked_out if one.number is not None]
        slope = _slope_at(side, settings, statistics.fmean(own))
        if slope < FOLLOWS and statistics.fmean(own) > NO_TONE_DB:
            _confirm_falls(side, settings, conditions, statistics.fmean(own))
        of_own, of_sampled, of_difference = self.limits_of(settings, conditions)
        step_db = step_seen(shown)
        return [
            _finding("SINAD, analyser", own, slope, of_own, conditions, step_db),
            _finding("SINAD, samples", sampled, slope, of_sampled, conditions),
            _difference(sampled, own, of_difference, conditions, step_db),
        ]

    def _nothing(self, settings: SinadSettings, conditions: Conditions, note: str) -> list[Finding]:
        limits = self.limits_of(settings, conditions)
        return [
            Finding(quantity=name, value=None, unit=unit, limits=one, note=note)
            for (name, unit), one in zip(self.quantities(settings), limits, strict=True)
        ]


def _sampled(side: ReceiveSide, settings: SinadSettings) -> Reading:
    from sequencer.dsp.audio import read_audio

    samples = side.capture_audio(settings.reading_s, SAMPLE_RATE_HZ)
    return Reading(number=read_audio(samples.content, samples.rate_hz, settings.tone_hz).sinad_db)


def _slope_at(side: ReceiveSide, settings: SinadSettings, sinad_db: float) -> float:
    """Return how SINAD follows the level there, dB per dB, from readings `STEP_DB` lower; 1 where they say nothing."""
    side.set_level_dbm(settings.level_dbm - STEP_DB)
    side.wait_s(SETTLE_S)
    lower = [side.read_sinad_db(settings.reading_s).number for _ in range(SLOPE_READINGS)]
    found = [one for one in lower if one is not None]
    if len(found) < len(lower):
        return 1.0
    if (lower_db := statistics.fmean(found)) > sinad_db + NO_TONE_DB:
        side.confirm_was_there(
            "SINAD, dB,",
            lambda: side.read_sinad_db(settings.reading_s),
            was=sinad_db,
            is_other=lambda now: now > sinad_db + NO_TONE_DB,
            level_dbm=settings.level_dbm,
            settle_s=SETTLE_S,
        )
    return max(0.0, (sinad_db - lower_db) / STEP_DB)


def _confirm_falls(
    side: ReceiveSide, settings: SinadSettings, conditions: Conditions, sinad_db: float
) -> None:
    """Raise UnexpectedReply where SINAD stays up at the lowest level the bench has."""
    lowest_dbm = min(LevelWindow().bounds_dbm(conditions)[0], settings.level_dbm)
    side.confirm_level_counts(
        "SINAD",
        lambda: side.read_sinad_db(settings.reading_s),
        is_same=lambda low_db: low_db > sinad_db - NO_TONE_DB,
        levels_dbm=(settings.level_dbm, lowest_dbm),
        settle_s=SETTLE_S,
    )


def _finding(
    quantity: str,
    found: list[float],
    slope: float,
    limits: Limits,
    conditions: Conditions,
    step_db: float = 0.0,
) -> Finding:
    """Return SINAD with its budget: what the level may be off by reaches it through the slope measured there."""
    value_db = statistics.fmean(found)
    parts = level_parts(conditions, coefficient=slope)
    for source, half_width, unit in (
        analyser_error(conditions.bench, "SINAD"),
        *modulation_errors(conditions.bench, "FM"),
    ):
        parts.accuracy(source, half_width, unit=unit)
    parts.add(repeatability("repeatability", found, step=step_db, unit="dB"))
    budget = parts.budget(quantity, "dB", value_db)
    return Finding(quantity=quantity, value=value_db, unit="dB", limits=limits, budget=budget)


def _difference(
    sampled: list[float], own: list[float], limits: Limits, conditions: Conditions, step_db: float
) -> Finding:
    quantity = "SINAD, samples less analyser"
    value_db = statistics.fmean(sampled) - statistics.fmean(own)
    parts = Parts(conditions.bench)
    source, half_width, unit = analyser_error(conditions.bench, "SINAD")
    parts.accuracy(source, half_width, unit=unit)
    parts.add(
        repeatability("repeatability, samples", sampled, unit="dB"),
        repeatability("repeatability, analyser", own, step=step_db, unit="dB", coefficient=-1.0),
    )
    budget = parts.budget(quantity, "dB", value_db)
    return Finding(quantity=quantity, value=value_db, unit="dB", limits=limits, budget=budget)
