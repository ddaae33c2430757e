"""Squelch: the levels at which it opens and closes, and the hysteresis between them."""

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side, SquelchPosition
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.people import SWITCHED, SWITCHED_BY_EYE, by_hand
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.levels import LevelWindow, SearchAccuracyDb
from sequencer.checks.shared.asked.limits import LevelLimit, RatioLimit
from sequencer.checks.shared.budgets.level_budget import LEVEL_NEEDS
from sequencer.checks.shared.level_search.level_finding import (
    SoughtLevel,
    how_switched,
    hysteresis_finding,
    why_smooth,
)
from sequencer.checks.shared.level_search.sensitivity import usual_fm_dbm
from sequencer.checks.shared.level_search.sensitivity_reader import SILENT_V
from sequencer.checks.shared.level_search.stepper import Stepper
from sequencer.checks.shared.level_search.wanted_signal import WantedSignal, apply_wanted
from sequencer.files.fields import TimeS, VoltageV, between
from sequencer.results.model import Point
from sequencer.safety.receive import ReceiveSide
from sequencer.search.curve_belief import Expected
from sequencer.search.protocol import Crossing, Settling, SwitchingCrossing, find_crossing
from sequencer.search.switching import SwitchingSearch
from sequencer.uncertainty.decision import Limits
from sequencer.units.format import short_quantity

DWELL_S = 0.1
OPEN_AT_DBM = -60.0  # opens any squelch that is not turned fully up; workshop's own
LEAST_CONTRAST = 3.0
STILL_FALLING = 0.8  # times: noise of an open receiver repeats better than that
BESIDE_DB = 0.5  # beyond what the search leaves open
JITTERS = 2.0  # and so many times the scatter of the level
SLOW_S, SLOW_TIMES = 1.0, 15.0  # and time constants: what a squelch that is slower than stated is given
MOST_SLOW_LOOKS = 3
# Where a squelch that is just closed opens, beside the level of 12 dB SINAD: common practice, no source.
BELOW_HEARD_DB, APART_DB, USUAL_SD_DB = 1.0, 5.0, 5.0
TURNED_UP = 0.25  # share that may open anywhere: too tight, or the knob turned on
LATE = "the audio analyser answers late, with the reading before, or averages for longer (raise its 'settle')"


class SquelchSettings(WantedSignal):
    """Settings of `squelch`. The signal is modulated: an open receiver with a plain carrier may be as silent as a closed one."""

    check: Literal["squelch"]
    """Which check this is."""
    open_above_v: Annotated[VoltageV, AfterValidator(between(1e-4, 10.0, "V"))] | None = None
    """Loudspeaker voltage above which the squelch counts as open; without it found between no signal (muted) and a strong one (open)."""
    settling_s: Annotated[TimeS, AfterValidator(between(0.0, 10.0, "s"))] = 0.06
    """Time constant with which the squelch follows the level; about is enough. One that opens lower or closes higher when given a second or
    15 time constants is not measured."""
    accuracy_db: SearchAccuracyDb = 0.5
    """Half-width of the 95 % interval at which the search may stop, for each of both levels."""
    levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels the search may use."""
    opening: LevelLimit = LevelLimit.unstated()
    """Where it must open: usually a max."""
    closing: LevelLimit = LevelLimit.unstated()
    """Where it must close."""
    hysteresis: RatioLimit = RatioLimit.unstated()
    """How far apart opening and closing may lie."""


class Squelch(Check[SquelchSettings]):
    """Step a modulated carrier up and down until the loudspeaker falls silent and speaks again."""

    name: ClassVar[str] = "squelch"
    summary: ClassVar[str] = "levels at which the squelch opens and closes, and its hysteresis"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    squelch: ClassVar[SquelchPosition] = "just closed"
    depends_on: ClassVar[DependsOn] = frozenset()
    waits: ClassVar[Mapping[str, float]] = {"signal_generator": 26.0, "audio_analyser": 26.0}
    limit_keys = MappingProxyType(
        {"squelch opens": "opening", "squelch closes": "closing", "squelch hysteresis": "hysteresis"}
    )
    settings = SquelchSettings

    @override
    def quantities(self, settings: SquelchSettings) -> tuple[tuple[str, str], ...]:
        return (("squelch opens", "dBm"), ("squelch closes", "dBm"), ("squelch hysteresis", "dB"))

    @override
    def limits_of(self, settings: SquelchSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (settings.opening.limits, settings.closing.limits, settings.hysteresis.limits)

    def needs(self, settings: SquelchSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return LEVEL_NEEDS

    def demands(self, settings: SquelchSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it may use."""
        return settings.levels.demands(conditions)

    def commands(self, settings: SquelchSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.generator_modulation(conditions.mode) | commands.of("audio_analyser", "level")

    @override
    def readings(self, settings: SquelchSettings, conditions: Conditions) -> float:
        return SWITCHED_BY_EYE if by_hand(conditions, "audio_analyser") else SWITCHED

    def forecast_s(self, settings: SquelchSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: some 20 looks, two to find the threshold, two to prove it and two with time."""
        proof_s = 4.0 * (_pause_s(settings) + DWELL_S) + 2.0 * max(SLOW_S, SLOW_TIMES * settings.settling_s)
        return 1.0 + proof_s + 20.0 * settings.settling_s + 20.0 * (DWELL_S + 4.0 * settings.settling_s)

    @override
    def receive(self, side: ReceiveSide, settings: SquelchSettings, conditions: Conditions) -> list[Finding]:
        side.configure_audio(tone_hz=settings.nominal_tone_hz(conditions.mode))
        threshold_v = settings.open_above_v or _find_threshold(side, settings, conditions)
        if isinstance(threshold_v, str):
            return self._nothing(settings, conditions, threshold_v)
        search = squelch_search(
            window_dbm=settings.levels.bounds_dbm(conditions),
            accuracy_db=settings.accuracy_db,
            settling_s=settings.settling_s,
            opened_at_dbm=None if settings.open_above_v else _strong_dbm(settings, conditions),
            expected=_expected(settings, conditions),
        )
        first = search.ask
        first_dbm = first.level_db if first is not None else settings.levels.bounds_dbm(conditions)[0]
        apply_wanted(side, settings, conditions, first_dbm)
        side.wait_s(10.0 * settings.settling_s)
        stepper = Stepper(side, conditions, side.read_audio_v, unit="V")

        found = find_crossing(search, lambda ask: stepper.test(ask, threshold_v))
        points = tuple(stepper.points)
        if found.found and (why_not := why_smooth(points, threshold_v)):
            return self._nothing(settings, conditions, why_not, points)
        if found.found and (why_not := _why_unproved(side, settings, conditions, threshold_v)):
            return self._nothing(settings, conditions, why_not, points)
        if found.found and (why_not := _why_slow(side, settings, conditions, found, threshold_v)):
            return self._nothing(settings, conditions, why_not, points)
        return [
            _level(
                "squelch opens", found.rising, found, settings.opening.limits, conditions, points, threshold_v
            ),
            _level(
                "squelch closes",
                found.falling,
                found,
                settings.closing.limits,
                conditions,
                points,
                threshold_v,
            ),
            hysteresis_finding("squelch hysteresis", found, settings.hysteresis.limits),
        ]

    def _nothing(
        self, settings: SquelchSettings, conditions: Conditions, note: str, points: tuple[Point, ...] = ()
    ) -> list[Finding]:
        limits = self.limits_of(settings, conditions)
        return [
            Finding(quantity=quantity, value=None, unit=unit, limits=one, note=note, points=points)
            for (quantity, unit), one in zip(self.quantities(settings), limits, strict=True)
        ]


def squelch_search(
    *,
    window_dbm: tuple[float, float],
    accuracy_db: float,
    settling_s: float,
    opened_at_dbm: float | None = None,
    expected: Expected | None = None,
) -> SwitchingSearch:
    """Return the search for both levels, of a squelch that was seen open at ``opened_at_dbm`` and then muted without a signal."""
    return SwitchingSearch(
        window_db=window_dbm,
        level_unit="dBm",
        accuracy_db=accuracy_db,
        settling=Settling(rise_s=settling_s, fall_s=settling_s, least_s=0.03, doubt=0.5),
        dwell_s=DWELL_S,
        expected=expected,
        seen_on_db=opened_at_dbm,
        proved_elsewhere=True,
    )


def _expected(settings: SquelchSettings, conditions: Conditions) -> Expected | None:
    """Return where it should open: about where the run has found the unit to hear, or where an FM receiver usually does."""
    for result in reversed(conditions.results_so_far()):
        alike = result.mode == conditions.mode and result.frequency_hz == conditions.frequency_hz
        if result.check == "sensitivity" and result.value is not None and result.unit == "dBm" and alike:
            return opening_near(result.value)
    return opening_usual(usual_fm_dbm(settings)) if conditions.mode == "FM" else None


def opening_near(sensitivity_dbm: float) -> Expected:
    """Return where a squelch opens of a unit that was found to hear at a level, dBm."""
    return Expected(level_db=sensitivity_dbm - BELOW_HEARD_DB, sd_db=APART_DB, anywhere=TURNED_UP)


def opening_usual(sensitivity_dbm: float) -> Expected:
    """Return where a squelch opens of a unit of which only the usual sensitivity is known, dBm."""
    sd_db = math.hypot(APART_DB, USUAL_SD_DB)
    return Expected(level_db=sensitivity_dbm - BELOW_HEARD_DB, sd_db=sd_db, anywhere=TURNED_UP)


def _find_threshold(side: ReceiveSide, settings: SquelchSettings, conditions: Conditions) -> float | str:
    """Return the voltage midway (in dB) between muted and open, or in words why there is none."""
    strong_dbm, pause_s = _strong_dbm(settings, conditions), _pause_s(settings)
    apply_wanted(side, settings, conditions, strong_dbm)
    side.wait_s(pause_s)
    open_v = side.read_audio_v(2.0 * DWELL_S).number
    side.remove_signal()
    side.wait_s(pause_s)
    muted_v = side.read_audio_v(2.0 * DWELL_S).number
    if open_v is None or muted_v is None:
        return "the loudspeaker's voltage could not be read with and without a signal"
    if muted_v * LEAST_CONTRAST > open_v:
        side.wait_s(pause_s)
        again_v = side.read_audio_v(2.0 * DWELL_S).number
        if again_v is not None and again_v < STILL_FALLING * muted_v:
            return f"{short_quantity(muted_v, 'V', 2)} without a signal, and {short_quantity(again_v, 'V', 2)} when read again: {LATE}"
        found = f"{short_quantity(muted_v, 'V', 2)} without a signal and {short_quantity(open_v, 'V', 2)} at {strong_dbm:g} dBm"
        if max(muted_v, open_v) < SILENT_V:
            return f"{found}: the squelch never opens (turn its knob back until the noise just stops), or the volume is down"
        return f"{found}: the squelch stands open (turn its knob until the noise just stops)"
    return math.sqrt(max(muted_v, 1e-6) * open_v)


def _strong_dbm(settings: SquelchSettings, conditions: Conditions) -> float:
    low_dbm, high_dbm = settings.levels.bounds_dbm(conditions)
    return min(max(OPEN_AT_DBM, low_dbm), high_dbm)


def _pause_s(settings: SquelchSettings) -> float:
    return max(0.2, 10.0 * settings.settling_s)


def _why_unproved(
    side: ReceiveSide, settings: SquelchSettings, conditions: Conditions, threshold_v: float
) -> str:
    """Return in words that the audio no longer follows a signal that comes and goes, or nothing.

    One reading that is late by one shifts both levels, and is right wherever nothing has just changed.
    """
    strong_dbm = _strong_dbm(settings, conditions)
    side.set_level_dbm(strong_dbm)
    side.wait_s(_pause_s(settings))
    open_v = side.read_audio_v(DWELL_S).number
    side.remove_signal()
    side.wait_s(_pause_s(settings))
    muted_v = side.read_audio_v(DWELL_S).number
    if open_v is not None and muted_v is not None and muted_v <= threshold_v < open_v:
        return ""
    shown = " and ".join(
        "nothing" if volts is None else short_quantity(volts, "V", 2) for volts in (open_v, muted_v)
    )
    return (
        f"after the search it read {shown} at {strong_dbm:g} dBm and with the generator off, where "
        f"{short_quantity(threshold_v, 'V', 2)} tells open from muted: {LATE}, or the generator's level no longer counts"
    )


def _why_slow(
    side: ReceiveSide,
    settings: SquelchSettings,
    conditions: Conditions,
    found: SwitchingCrossing,
    threshold_v: float,
) -> str:
    """Return in words that the squelch is slower than 'settling' says, or nothing: it opens lower, or closes higher, when it is given time.

    One that follows late opens too high and closes too low. Looked for far enough beside the level that its jitter does not come there,
    and seen twice.
    """
    waits_s = max(SLOW_S, SLOW_TIMES * settings.settling_s)
    low_dbm, high_dbm = settings.levels.bounds_dbm(conditions)
    for crossing, rising in ((found.rising, True), (found.falling, False)):
        if crossing is None or crossing.level_db is None:
            continue
        beside_db = crossing.half_width_db + BESIDE_DB + JITTERS * crossing.sd_db
        level_dbm = crossing.level_db + (-beside_db if rising else beside_db)
        if not low_dbm <= level_dbm <= high_dbm:
            continue
        verb, verbs = ("open", "opens") if rising else ("close", "closes")
        looks: list[bool | None] = []
        while False not in looks and looks.count(True) < 2 and len(looks) < MOST_SLOW_LOOKS:
            looks.append(
                _switches_in_time(side, settings, conditions, level_dbm, waits_s, threshold_v, opens=rising)
            )
        if False not in looks and looks.count(True) < 2:
            return f"the loudspeaker's voltage could not be read where it was to show that it {verbs} no later than 'settling' says"
        if False not in looks:
            return (
                f"it was found to {verb} at {crossing.level_db:.1f} dBm, and {verbs} at {level_dbm:.1f} dBm given {waits_s:g} s: "
                f"it follows slower than 'settling: {1e3 * settings.settling_s:g} ms' says. State a longer 'settling'"
            )
    return ""


def _switches_in_time(
    side: ReceiveSide,
    settings: SquelchSettings,
    conditions: Conditions,
    level_dbm: float,
    waits_s: float,
    threshold_v: float,
    *,
    opens: bool,
) -> bool | None:
    """Return whether a closed squelch opens within ``waits_s`` at a level, or an open one closes; None where that could not be read."""
    if opens:
        side.remove_signal()
        side.wait_s(_pause_s(settings))
        apply_wanted(side, settings, conditions, level_dbm)
    else:
        apply_wanted(side, settings, conditions, _strong_dbm(settings, conditions))
        side.wait_s(_pause_s(settings))
        side.set_level_dbm(level_dbm)
    side.wait_s(waits_s)
    volts = side.read_audio_v(DWELL_S).number
    return None if volts is None else (volts > threshold_v) is opens


def _level(
    quantity: str,
    crossing: Crossing | None,
    found: SwitchingCrossing,
    limits: Limits,
    conditions: Conditions,
    points: tuple[Point, ...],
    threshold_v: float,
) -> Finding:
    sought = SoughtLevel(
        quantity=quantity, target_v=threshold_v, limits=limits, points=points, conditions=conditions
    )
    if not found.found or crossing is None or crossing.level_db is None:
        return sought.not_found(
            "; ".join((f"{found.status.value} after {found.readings} looks", *found.warnings))
        )
    return sought.found(crossing, how_switched(crossing, found))
