"""AGC span: how far the signal may fall from a strong level before the loudspeaker falls by a stated number of decibels.

The convention (from -13 dBm, 50 mV pd, down to where the audio has fallen by 6 dB) is that of an HF SSB service manual. FM has no AGC in
its audio: a limiter stands in its place, and this check is not for it.
"""

import math
import statistics
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import RangeState, Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.people import FALLEN as FALLEN_BY_HAND
from sequencer.checks.receive.receive_distortion import distortion_finding, distortion_needs
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.levels import LevelWindow, SearchAccuracyDb
from sequencer.checks.shared.asked.limits import LevelLimit, PercentLimit, RatioLimit
from sequencer.checks.shared.budgets.level_budget import LEVEL_NEEDS, how_found, level_budget, why_not
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts, without_path
from sequencer.checks.shared.level_search.sensitivity_reader import DECAYS, analyser_error
from sequencer.checks.shared.level_search.stepper import Stepper
from sequencer.checks.shared.level_search.wanted_signal import (
    WantedSignal,
    apply_wanted,
    find_tone_hz,
    tone_s,
    why_no_tone,
)
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing_share, several
from sequencer.files.fields import LevelDbm, RatioDb, TimeS, between
from sequencer.results.model import Point
from sequencer.safety.receive import ReceiveSide
from sequencer.search.curve import CurveSearch
from sequencer.search.protocol import Crossing, Settling, find_crossing
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_VOLTAGE, scatter
from sequencer.uncertainty.decision import Limits

READINGS = 4
READING_S = 0.25
STEADY = 0.05  # what a steady tone's level scatters by, at most: common practice, no source
CLIPS_PERCENT = 15.0  # beyond it the loudspeaker is no measure of the gain; workshop's own
DISTORTION = "AGC, distortion at the strong level"
SPAN, FALLEN = "AGC span", "AGC, level at which the audio has fallen"
COMMON = ("mismatch", "receive path")


class AgcSpanSettings(WantedSignal):
    """Settings of `agc_span`."""

    check: Literal["agc_span"]
    """Which check this is."""
    strong_dbm: LevelDbm = -13.0
    """The level to come down from; -13 dBm is 50 mV pd, after an HF SSB service manual."""
    fall_db: Annotated[RatioDb, AfterValidator(between(1.0, 40.0, "dB"))] = 6.0
    """How far the loudspeaker must have fallen; 6 dB after the same manual."""
    agc_decay_s: Annotated[TimeS, AfterValidator(between(0.0, 10.0, "s"))] = 0.3
    """Time constant with which the AGC recovers; about is enough, rather too long than too short."""
    accuracy_db: SearchAccuracyDb = 1.0
    """Half-width of the 95 % interval at which the search may stop."""
    levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels the search may use, below the strong one."""
    limit: RatioLimit = RatioLimit.unstated()
    """The span: usually a min."""
    distortion: PercentLimit = PercentLimit(max_percent=10.0)
    """Distortion and noise at the strong level; at most 10 % unless said otherwise (workshop's own): a loudspeaker that clips hides a
    gain that is not held."""
    fallen: LevelLimit = LevelLimit.unstated()
    """The level at which the audio has fallen: usually a max."""


class AgcSpan(Check[AgcSpanSettings]):
    """Read the loudspeaker at a strong level, then step down until it has fallen by the stated decibels."""

    name: ClassVar[str] = "agc_span"
    summary: ClassVar[str] = "span of levels over which the AGC holds the audio within 6 dB"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"AM", "USB", "LSB", "CW"})
    depends_on: ClassVar[DependsOn] = frozenset()
    waits: ClassVar[Mapping[str, float]] = {"signal_generator": 11.0, "audio_analyser": 10.0}
    limit_keys = MappingProxyType({DISTORTION: "distortion", FALLEN: "fallen", SPAN: "limit"})
    settings = AgcSpanSettings

    @override
    def quantities(self, settings: AgcSpanSettings) -> tuple[tuple[str, str], ...]:
        return ((DISTORTION, "%"), (SPAN, "dB"), (f"{FALLEN} by {settings.fall_db:g} dB", "dBm"))

    @override
    def limits_of(self, settings: AgcSpanSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (settings.distortion.limits, settings.limit.limits, settings.fallen.limits)

    def needs(self, settings: AgcSpanSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return (*distortion_needs(conditions.mode), *LEVEL_NEEDS, "audio_analyser.voltage")

    def demands(self, settings: AgcSpanSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it uses."""
        demands = [Demand(at=("strong",), level_dbm=settings.strong_dbm)]
        low_dbm = settings.levels.bounds_dbm(conditions)[0]
        if low_dbm >= settings.strong_dbm:
            refused = f"nothing lies between {low_dbm:g} dBm, the lowest level, and the strong level {settings.strong_dbm:g} dBm"
            demands.append(Demand(at=("strong",), refused=refused, allowed=f"strong above {low_dbm:g} dBm"))
        return [*demands, *settings.levels.demands(conditions, highest_dbm=settings.strong_dbm)]

    def commands(self, settings: AgcSpanSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.wanted_signal(conditions.mode) | commands.of("audio_analyser", "distortion", "level")

    @override
    def readings(self, settings: AgcSpanSettings, conditions: Conditions) -> float:
        return FALLEN_BY_HAND

    def forecast_s(self, settings: AgcSpanSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: some ten levels, and the AGC let recover at each."""
        return (
            tone_s(conditions.mode)
            + 2.0 * READINGS * READING_S
            + 10.0 * (DECAYS * settings.agc_decay_s + 0.3)
        )

    @override
    def receive(self, side: ReceiveSide, settings: AgcSpanSettings, conditions: Conditions) -> list[Finding]:
        if find_tone_hz(side, settings, conditions) is None:
            note = why_no_tone(conditions)
            nothing = Finding(
                quantity=DISTORTION, value=None, unit="%", limits=settings.distortion.limits, note=note
            )
            return [nothing, *self._nothing(settings, note)]
        apply_wanted(side, settings, conditions, settings.strong_dbm)
        side.wait_s(max(0.5, DECAYS * settings.agc_decay_s))
        distortion = distortion_finding(
            DISTORTION, side, READING_S, settings.strong_dbm, settings.distortion.limits, conditions
        )
        if distortion.value is not None and distortion.value > CLIPS_PERCENT:
            side.confirm_was_there(
                "distortion and noise, %,",
                lambda: side.read_distortion_percent(READING_S),
                was=distortion.value,
                is_other=lambda now: now < CLIPS_PERCENT,
                level_dbm=settings.strong_dbm,
                settle_s=max(0.5, DECAYS * settings.agc_decay_s),
            )
            note = (
                f"{distortion.value:.0f} % distortion at {settings.strong_dbm:g} dBm: either the AGC does not hold the gain, or the "
                "volume stands too high; with less volume the span can be read"
            )
            return [distortion, *self._nothing(settings, note)]
        return [distortion, *self._span(side, settings, conditions)]

    def _span(self, side: ReceiveSide, settings: AgcSpanSettings, conditions: Conditions) -> list[Finding]:
        readings = several(lambda: side.read_audio_v(READING_S), READINGS)
        readings = agreeing_share(readings, lambda: side.read_audio_v(READING_S), share=STEADY)
        strong_v = [one.number for one in readings if one.number is not None and one.number > 0.0]
        if len(strong_v) < len(readings):
            return self._nothing(
                settings, f"the loudspeaker could not be read at {settings.strong_dbm:g} dBm"
            )
        stepper, crossing = self._search(side, settings, conditions, statistics.fmean(strong_v))
        points = tuple(stepper.points)
        if not crossing.found or crossing.level_db is None:
            return self._nothing(settings, why_not(crossing), points)
        level = level_budget(
            FALLEN,
            crossing,
            (analyser_error(conditions.bench, "ratio"),),
            conditions,
            _reference(strong_v, step_seen(readings), crossing),
        )
        span_db = settings.strong_dbm - crossing.level_db
        return [
            Finding(
                quantity=SPAN,
                value=span_db,
                unit="dB",
                limits=settings.limit.limits,
                budget=_span_budget(span_db, level, conditions),
                note=f"from {statistics.fmean(strong_v):.3g} V at {settings.strong_dbm:g} dBm; {how_found(crossing)}",
                points=points,
                target=-settings.fall_db,
                target_unit="dB",
                slope=crossing.slope,
            ),
            Finding(
                quantity=f"{FALLEN} by {settings.fall_db:g} dB",
                value=crossing.level_db,
                unit="dBm",
                limits=settings.fallen.limits,
                budget=level,
                target=-settings.fall_db,
                target_unit="dB",
                slope=crossing.slope,
                levels_as_made=True,
            ),
        ]

    def _search(
        self, side: ReceiveSide, settings: AgcSpanSettings, conditions: Conditions, reference_v: float
    ) -> tuple[Stepper, Crossing]:
        """Find where the audio has fallen.

        After a step down it dips and comes back while the gain recovers: no lag to be worked out, waited for instead.
        """

        def read(reading_s: float) -> Reading:
            return _relative(side.read_audio_v(reading_s), reference_v)

        low_dbm, high_dbm = settings.levels.bounds_dbm(conditions, highest_dbm=settings.strong_dbm)
        least_s = max(0.1, DECAYS * settings.agc_decay_s)
        search = CurveSearch(
            target=-settings.fall_db,
            window_db=(low_dbm, min(high_dbm, settings.strong_dbm)),
            level_unit="dBm",
            reading_unit="dB",
            accuracy_db=settings.accuracy_db,
            settling=Settling(rise_s=0.015, fall_s=0.015, least_s=least_s, doubt=0.5),
        )
        stepper = Stepper(side, conditions, read, unit="dB")
        return stepper, find_crossing(search, stepper.measure)

    def _nothing(self, settings: AgcSpanSettings, note: str, points: tuple[Point, ...] = ()) -> list[Finding]:
        limits = (settings.limit.limits, settings.fallen.limits)
        return [
            Finding(
                quantity=quantity,
                value=None,
                unit=unit,
                limits=one,
                note=note,
                points=points,
                target=-settings.fall_db,
                target_unit="dB",
            )
            for (quantity, unit), one in zip(self.quantities(settings)[1:], limits, strict=True)
        ]


def _relative(reading: Reading, reference_v: float) -> Reading:
    if reading.number is None:
        return reading
    if reading.number <= 0.0:
        return Reading(number=None, state=RangeState.UNDER_RANGE)
    return replace(reading, number=20.0 * math.log10(reading.number / reference_v))


def _reference(strong_v: list[float], step_v: float, crossing: Crossing) -> tuple[Contribution, ...]:
    """Return what the readings at the strong level may be off by, in dB of level found: their scatter, or ``step_v``, their step."""
    if not crossing.slope:
        return ()
    readings_db = [20.0 * math.log10(volts) for volts in strong_v]
    name, step_db = (
        "strong level's audio, repeatability",
        DB_PER_RELATIVE_VOLTAGE * step_v / statistics.fmean(strong_v),
    )
    return (scatter(name, readings_db, step=step_db, unit="dB", coefficient=1.0 / abs(crossing.slope)),)


def _span_budget(span_db: float, level: Budget, conditions: Conditions) -> Budget:
    """Return the span's budget: path and mismatch are common to both levels and cancel, the generator's error counts at each."""
    strong = Parts(conditions.bench)
    source, generator = "generator, level accuracy, at the strong level", "signal_generator"
    strong.accuracy(source, HalfWidth.of(conditions.bench, generator, "level"), unit="dB")
    added = strong.budget(SPAN, "dB", span_db)
    kept = tuple(one for one in level.contributions if not one.source.startswith(COMMON))
    unstated = without_path((*level.unstated, *added.unstated))
    return replace(added, contributions=(*kept, *added.contributions), unstated=unstated)
