"""Signal against noise at one level: how far a carrier quiets the noise in FM, (S+N)/N in the other modes.

What a bench without a SINAD meter peaks a receiver's tuned circuits by.
"""

import statistics
from collections.abc import Callable, Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.levels import LevelWindow, one_level
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.asked.target import MODES_OF_KIND, SensitivityTarget
from sequencer.checks.shared.budgets.level_budget import LEVEL_NEEDS, level_parts
from sequencer.checks.shared.level_search.sensitivity_reader import (
    DECAYS,
    SWITCH_S,
    SensitivityReader,
    reading_needs,
)
from sequencer.checks.shared.level_search.wanted_signal import (
    CLEARLY_HEARD_DBM,
    WantedSignal,
    find_tone_hz,
    tone_s,
    why_no_tone,
)
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing
from sequencer.files.fields import LevelDbm, TimeS, between
from sequencer.safety.receive import ReceiveSide
from sequencer.uncertainty.contributions import repeatability
from sequencer.uncertainty.decision import Limits

_Read = Callable[[], Reading]
SETTLE_S = 0.3
READINGS = 4
SLOPE_READINGS = 2
STEP_DB = 2.0  # small enough to stay on the curve, large enough to stand out of the noise; workshop's own
STEADY_DB = 0.8  # what such a ratio scatters by at a level, at most: common practice, no source
FOLLOWS = 0.25  # dB per dB: a ratio that falls by less in one step may stand at its ceiling, or its level may stand still
NOTHING_DB = 3.0  # below it there is as much noise as signal, and little left to fall
LOUDER_DB, RISES_DB = (
    30.0,
    6.0,
)  # how far above a signal that was not heard one must be heard, and by how much


class SignalToNoiseSettings(WantedSignal):
    """Settings of `signal_to_noise`."""

    check: Literal["signal_to_noise"]
    """Which check this is."""
    ratio: Literal["quieting", "(S+N)/N"]
    """quieting (FM): the noise without a signal over that with an unmodulated carrier; (S+N)/N (AM, SSB, CW): as `sensitivity` reads it."""
    level_dbm: LevelDbm
    """Level at the antenna connector."""
    agc_decay_s: Annotated[TimeS, AfterValidator(between(0.0, 10.0, "s"))] = 0.3
    """AM, SSB and CW: time constant with which the AGC recovers from a signal; about is enough, rather too long than too short."""
    reading_s: Annotated[TimeS, AfterValidator(between(0.1, 10.0, "s"))] = 0.5
    """How long one reading of the loudspeaker takes."""
    limit: RatioLimit = RatioLimit.unstated()
    """Lowest and highest ratio that is right."""

    @property
    def target(self) -> SensitivityTarget:
        """What is read; its ratio means nothing here."""
        return SensitivityTarget(ratio_db=10.0, kind=self.ratio)


class SignalToNoise(Check[SignalToNoiseSettings]):
    """Apply a signal at one level, and read the loudspeaker with and without it."""

    name: ClassVar[str] = "signal_to_noise"
    summary: ClassVar[str] = "quieting of the noise (FM), or (S+N)/N (AM, SSB, CW), at a level"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    depends_on: ClassVar[DependsOn] = frozenset()
    waits: ClassVar[Mapping[str, float]] = {"signal_generator": 4.0, "audio_analyser": 3.0}
    settings = SignalToNoiseSettings

    @override
    def quantities(self, settings: SignalToNoiseSettings) -> tuple[tuple[str, str], ...]:
        return ((settings.ratio, "dB"),)

    def demands(self, settings: SignalToNoiseSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it uses; a ratio that the mode has not is refused."""
        demands = one_level(settings.level_dbm, step_db=STEP_DB, proves=True)
        if conditions.mode not in MODES_OF_KIND[settings.ratio]:
            usual = "quieting" if conditions.mode == "FM" else "(S+N)/N"
            told = f"{settings.ratio} does not measure a receiver in {conditions.mode}"
            demands.append(Demand(at=("ratio",), refused=told, allowed=f"'{usual}' in {conditions.mode}"))
        return demands

    def needs(self, settings: SignalToNoiseSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return (*LEVEL_NEEDS, *reading_needs(settings.ratio, conditions.mode))

    def commands(self, settings: SignalToNoiseSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        signal = frozenset() if settings.ratio == "quieting" else commands.wanted_signal(conditions.mode)
        return signal | commands.of("audio_analyser", "level")

    @override
    def readings(self, settings: SignalToNoiseSettings, conditions: Conditions) -> float:
        return 2.0 * READINGS if settings.ratio == "quieting" else 2.0 * (READINGS + SLOPE_READINGS)

    @override
    def forecast_s(self, settings: SignalToNoiseSettings, conditions: Conditions) -> float:
        if settings.ratio == "quieting":
            return 1.2 + 2.0 + (READINGS + SLOPE_READINGS) * settings.reading_s
        off_s = SWITCH_S if conditions.mode == "AM" else DECAYS * settings.agc_decay_s
        each_s = SWITCH_S + off_s + 2.0 * settings.reading_s
        return tone_s(conditions.mode) + 1.0 + (READINGS + SLOPE_READINGS) * each_s

    @override
    def receive(
        self, side: ReceiveSide, settings: SignalToNoiseSettings, conditions: Conditions
    ) -> list[Finding]:
        limits = settings.limit.limits
        reader, why_not = begun(side, settings, conditions)
        if reader is None:
            return [_nothing(settings, limits, why_not)]
        side.wait_s(SETTLE_S)

        def read() -> Reading:
            return reader.read(settings.reading_s)

        shown = agreeing([read() for _ in range(READINGS)], read, within=STEADY_DB)
        found = [one.number for one in shown if one.number is not None]
        if reader.silent or len(found) < len(shown):
            state = next((one.state.value for one in shown if one.number is None), "")
            return [_nothing(settings, limits, reader.silent or f"audio analyser: {state}")]
        ratio_db = statistics.fmean(found)
        slope = _slope_at(side, settings, read, ratio_db)
        if slope < FOLLOWS and ratio_db > NOTHING_DB:
            _confirm_falls(side, settings, conditions, read, ratio_db)
        parts = level_parts(conditions, coefficient=slope)
        for source, half_width, unit in reader.read_errors:
            parts.accuracy(source, half_width, unit=unit)
        parts.add(repeatability("repeatability", found, step=step_seen(shown), unit="dB"))
        parts.add(*reader.noise_scatter(1.0))
        budget = parts.budget(settings.ratio, "dB", ratio_db)
        note = f"at {settings.level_dbm:g} dBm"
        return [
            Finding(
                quantity=settings.ratio, value=ratio_db, unit="dB", limits=limits, budget=budget, note=note
            )
        ]


def begun(
    side: ReceiveSide, settings: SignalToNoiseSettings, conditions: Conditions
) -> tuple[SensitivityReader | None, str]:
    """Return what reads the ratio at the level, made ready; or None, and why that is not possible."""
    at_dbm = max(min(CLEARLY_HEARD_DBM, LevelWindow().bounds_dbm(conditions)[1]), settings.level_dbm)
    tone_hz = find_tone_hz(side, settings, conditions, at_dbm=at_dbm)
    if tone_hz is None:
        return None, why_no_tone(conditions, at_dbm)
    reader = SensitivityReader(
        side,
        settings,
        conditions,
        tone_hz,
        target=settings.target,
        weighting="flat",
        read="analyser",
        agc_decay_s=settings.agc_decay_s,
    )
    why_not = reader.begin(settings.level_dbm)
    return (None, why_not) if why_not else (reader, "")


def _nothing(settings: SignalToNoiseSettings, limits: Limits, note: str) -> Finding:
    return Finding(quantity=settings.ratio, value=None, unit="dB", limits=limits, note=note)


def _slope_at(side: ReceiveSide, settings: SignalToNoiseSettings, read: _Read, ratio_db: float) -> float:
    """Return how the ratio follows the level there, dB per dB, from readings `STEP_DB` lower; 1 where they say nothing."""
    side.set_level_dbm(settings.level_dbm - STEP_DB)
    side.wait_s(SETTLE_S)
    lower = [read().number for _ in range(SLOPE_READINGS)]
    side.set_level_dbm(settings.level_dbm)
    found = [one for one in lower if one is not None]
    if len(found) < len(lower):
        return 1.0
    if (lower_db := statistics.fmean(found)) > ratio_db + NOTHING_DB:
        side.confirm_was_there(
            f"{settings.ratio}, dB,",
            read,
            was=ratio_db,
            is_other=lambda now: now > ratio_db + NOTHING_DB,
            level_dbm=settings.level_dbm,
            settle_s=SETTLE_S,
        )
    return max(0.0, (ratio_db - lower_db) / STEP_DB)


def _confirm_falls(
    side: ReceiveSide,
    settings: SignalToNoiseSettings,
    conditions: Conditions,
    read: _Read,
    ratio_db: float,
) -> None:
    """Raise UnexpectedReply where the ratio stays up at the lowest level the bench has."""
    lowest_dbm = min(LevelWindow().bounds_dbm(conditions)[0], settings.level_dbm)
    side.confirm_level_counts(
        settings.ratio,
        read,
        is_same=lambda low_db: low_db > ratio_db - NOTHING_DB,
        levels_dbm=(settings.level_dbm, lowest_dbm),
        settle_s=SETTLE_S,
    )
