"""Hum and noise of a receiver: how far its audio falls when the modulation of a strong signal is switched off.

Land-mobile standards ask for some 34 dB at 12.5 kHz and 40 dB at 25 kHz spacing, from memory of TIA-603 (low confidence).
"""

import math
import statistics
from collections.abc import Mapping
from typing import ClassVar, Literal

from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.receive.receive_distortion import (
    READINGS,
    SETTLE_S,
    STEADY,
    StandardSignal,
    apply_standard,
)
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.levels import one_level
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.budgets.level_budget import LEVEL_NEEDS, level_parts
from sequencer.checks.shared.budgets.parts import Parts
from sequencer.checks.shared.level_search.sensitivity_reader import (
    NOISE_SHARE,
    SILENT_V,
    analyser_error,
    modulation_errors,
    reading_needs,
)
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing_share, several
from sequencer.frozen import dataclass
from sequencer.safety.receive import ReceiveSide
from sequencer.uncertainty.budget import Contribution
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_VOLTAGE, FINEST_DB, repeatability
from sequencer.units.format import short_quantity

QUANTITY = "hum and noise"
LOWER_READINGS = 2
STEP_DB = 2.0  # small enough to stay on the curve: as signal_to_noise steps
LEAST_SLOPE = 0.01
NOTHING_DB = 3.0  # below it the modulation is no louder than what it should stand out of

OTHER_DB = 1.0  # what the audio of one strong signal differs by at levels a step apart, at most: common practice, no source


class HumAndNoiseSettings(StandardSignal):
    """Settings of `hum_and_noise`."""

    check: Literal["hum_and_noise"]
    """Which check this is."""
    limit: RatioLimit = RatioLimit.unstated()
    """How far the audio has to fall: usually a min."""


class HumAndNoise(Check[HumAndNoiseSettings]):
    """Read the loudspeaker's voltage at a strong signal with its modulation, and without."""

    name: ClassVar[str] = "hum_and_noise"
    summary: ClassVar[str] = (
        "audio at a strong modulated signal against what is left without modulation (FM, AM)"
    )
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    depends_on: ClassVar[DependsOn] = frozenset()
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    waits: ClassVar[Mapping[str, float]] = {"signal_generator": 6.0, "audio_analyser": 5.0}
    settings = HumAndNoiseSettings

    @override
    def quantities(self, settings: HumAndNoiseSettings) -> tuple[tuple[str, str], ...]:
        return ((QUANTITY, "dB"),)

    def demands(self, settings: HumAndNoiseSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it uses."""
        return one_level(settings.level_dbm, step_db=STEP_DB)

    def needs(self, settings: HumAndNoiseSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return (*LEVEL_NEEDS, *reading_needs(QUANTITY, conditions.mode))

    def commands(self, settings: HumAndNoiseSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.wanted_signal(conditions.mode) | commands.of("audio_analyser", "level")

    @override
    def readings(self, settings: HumAndNoiseSettings, conditions: Conditions) -> float:
        return 4.0

    @override
    def forecast_s(self, settings: HumAndNoiseSettings, conditions: Conditions) -> float:
        return 4.0 * SETTLE_S + 2.0 * (READINGS + LOWER_READINGS) * settings.reading_s

    @override
    def receive(
        self, side: ReceiveSide, settings: HumAndNoiseSettings, conditions: Conditions
    ) -> list[Finding]:
        if why_not := apply_standard(side, settings, conditions):
            return [_nothing(settings, why_not)]
        volts = _read_all(side, settings)
        if why_not := volts.why_not(settings.level_dbm):
            return [_nothing(settings, why_not)]
        ratio_db = volts.ratio_db
        parts = _parts(volts, conditions)
        note = (
            f"{short_quantity(statistics.fmean(_numbers(volts.modulated)), 'V')} with modulation, "
            f"{short_quantity(statistics.fmean(_numbers(volts.plain)), 'V')} without, at {settings.level_dbm:g} dBm"
        )
        return [
            Finding(
                quantity=QUANTITY,
                value=ratio_db,
                unit="dB",
                limits=settings.limit.limits,
                budget=parts.budget(QUANTITY, "dB", ratio_db),
                note=note,
            )
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Volts:
    """The loudspeaker's voltages with modulation and without, at the level and `STEP_DB` below it."""

    modulated: list[Reading]
    modulated_lower: list[Reading]
    plain_lower: list[Reading]
    plain: list[Reading]

    @property
    def ratio_db(self) -> float:
        return _ratio_db(self.modulated, self.plain)

    @property
    def slope(self) -> float:
        """How the ratio follows the level, dB per dB; never quite 0, which it is found to be only within its scatter."""
        lower_db = _ratio_db(self.modulated_lower, self.plain_lower)
        return max(LEAST_SLOPE, (self.ratio_db - lower_db) / STEP_DB)

    def why_not(self, level_dbm: float) -> str:
        """Return in words why no ratio can be made of them, or nothing."""
        every = [*self.modulated, *self.modulated_lower, *self.plain_lower, *self.plain]
        if (missing := next((one for one in every if one.number is None), None)) is not None:
            return f"audio analyser: {missing.state.value}"
        if statistics.fmean(_numbers(self.modulated)) < SILENT_V:
            return (
                f"only {short_quantity(statistics.fmean(_numbers(self.modulated)), 'V', 2)} of audio at {level_dbm:g} dBm: "
                "turn the volume up, and look whether the generator reaches the unit"
            )
        if min(_numbers(every)) <= 0.0:
            return "audio analyser: it shows 0 V without modulation; let it read in a finer range"
        if self.ratio_db < NOTHING_DB:
            return (
                f"the audio is {self.ratio_db:.1f} dB louder with modulation than without at {level_dbm:g} dBm: nothing of the modulation "
                "is heard. Check whether the generator reaches the unit and modulates, and whether the unit is on this channel and mode"
            )
        return ""


def _read_all(side: ReceiveSide, settings: HumAndNoiseSettings) -> _Volts:
    """Read with modulation at the level and below it, then without it below and at the level: one switching of each."""

    def read() -> Reading:
        return side.read_audio_v(settings.reading_s)

    def at(level_dbm: float, count: int, share: float) -> list[Reading]:
        side.set_level_dbm(level_dbm)
        side.wait_s(SETTLE_S)
        return agreeing_share(several(read, count), read, share=share)

    lower_dbm = settings.level_dbm - STEP_DB
    modulated = agreeing_share(several(read, READINGS), read, share=STEADY)
    modulated_lower = at(lower_dbm, LOWER_READINGS, STEADY)
    was, lower = _numbers(modulated), _numbers(modulated_lower)
    if was and lower and _are_others(statistics.fmean(lower), statistics.fmean(was)):
        side.confirm_was_there(
            "audio, V,",
            read,
            was=statistics.fmean(was),
            is_other=lambda now: _are_others(now, statistics.fmean(was)),
            level_dbm=settings.level_dbm,
            settle_s=SETTLE_S,
        )
    side.remove_modulation()
    side.expect_other_audio()
    plain_lower = at(lower_dbm, LOWER_READINGS, NOISE_SHARE)
    plain = at(settings.level_dbm, READINGS, NOISE_SHARE)
    return _Volts(modulated=modulated, modulated_lower=modulated_lower, plain_lower=plain_lower, plain=plain)


def _are_others(one_v: float, other_v: float) -> bool:
    """Say whether two voltages of a strong signal's audio lie farther apart than 1 dB, by which no receiver in order follows its level."""
    return min(one_v, other_v) <= 0.0 or abs(20.0 * math.log10(one_v / other_v)) > OTHER_DB


def _parts(volts: _Volts, conditions: Conditions) -> Parts:
    """Return the ratio's parts, dB: two voltages, the modulation they rest on, and the level as far as the ratio follows it."""
    parts = level_parts(conditions, coefficient=volts.slope)
    bench = conditions.bench
    for source, half_width, unit in (
        analyser_error(bench, QUANTITY),
        *modulation_errors(bench, conditions.mode, QUANTITY),
    ):
        parts.accuracy(source, half_width, unit=unit)
    for source, readings in (("with modulation", volts.modulated), ("without modulation", volts.plain)):
        numbers = _numbers(readings)
        step_db = DB_PER_RELATIVE_VOLTAGE * step_seen(readings) / min(numbers)
        in_db = [20.0 * math.log10(one) for one in numbers]
        if len(in_db) == 1:  # by a person: each of the two has a last digit of its own
            parts.add(Contribution.bounded(f"{source}, last digit", max(step_db, FINEST_DB), unit="dB"))
        else:
            parts.add(repeatability(f"{source}, repeatability", in_db, step=step_db, unit="dB"))
    return parts


def _numbers(readings: list[Reading]) -> list[float]:
    return [one.number for one in readings if one.number is not None]


def _ratio_db(over: list[Reading], under: list[Reading]) -> float:
    return 20.0 * math.log10(statistics.fmean(_numbers(over)) / statistics.fmean(_numbers(under)))


def _nothing(settings: HumAndNoiseSettings, note: str) -> Finding:
    return Finding(quantity=QUANTITY, value=None, unit="dB", limits=settings.limit.limits, note=note)
