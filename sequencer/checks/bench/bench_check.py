"""The bench's check of itself: its generator into its power meter, and what else it can compare, against its own history."""

import math
import statistics
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import ClassVar

from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.analysis.own_history import OwnHistory
from sequencer.checks.bench_checking.beside import find_beside
from sequencer.checks.bench_checking.budgets import level_budget
from sequencer.checks.bench_checking.found import (
    LEVEL,
    Found,
    against_history,
    numbers_of,
    state_of,
    stated_limits,
)
from sequencer.checks.bench_checking.settings import BenchCheckSettings
from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.levels import one_level
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing
from sequencer.inputs.bench_parts.bench_health import bench_serial
from sequencer.inputs.bench_parts.loss_table import frequency_text
from sequencer.inputs.bench_parts.paths import MOST_BEYOND
from sequencer.inputs.stated import CHECK_PATH
from sequencer.safety.check_side import CheckSide
from sequencer.safety.loss import LossPath, LossSide
from sequencer.safety.remembered.cables import BACK
from sequencer.uncertainty.contributions import FINEST_DB

SETTLE_S = 0.2
READING_S = 0.1
TONE_HZ = 1000.0
AUDIO_READING_S = 0.2
STEADY_DB = 0.02  # as for a loss: common practice, no source
PROOF_STEP_DB = 3.0
PROOF_WITHIN_DB = 1.0
LINE_S = (
    1.6  # the voltmeter at nought, several times, and once with the unit fed: measured on the simulated bench
)
FINEST_V = 1e-4


class BenchCheck(Check[BenchCheckSettings]):
    """Feed the generator into the power meter, and hold what lies between what one says and the other reads against its own history.

    No unit is measured, and none is keyed: PTT is released and read open, the supply off and read, and the switch takes the unit's
    connector off. The results stand under the bench's own serial (`bench` and its name). From `fewest` earlier results on each is held
    against control limits of the first `baseline` of them (individuals and moving range), and always against what the bench file states.
    With them, where the bench has them: the supply's terminals against its setting (such as "supply at 13.2 V"), the voltmeter on the line
    of a unit without supply ("voltmeter zero"), and the audio source into the audio meter where the switch joins them ("audio source to
    meter, 100 mV"). One path alone cannot tell which of its ends has changed.
    """

    name: ClassVar[str] = "bench_check"
    summary: ClassVar[str] = "the bench's own levels and losses against their history"
    side: ClassVar[Side] = "loss"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "power_meter"})
    of_bench: ClassVar[bool] = True
    limit_keys: ClassVar[Mapping[str, str]] = MappingProxyType({})
    settings = BenchCheckSettings

    @override
    def roles_of(self, settings: BenchCheckSettings) -> frozenset[str]:
        return self.roles if settings.is_by_hand else self.roles | {"switch"}

    @override
    def hand_path(self, settings: BenchCheckSettings) -> LossPath:
        return "cable" if settings.is_by_hand else "check"

    @override
    def moves_cables(self, settings: BenchCheckSettings) -> bool:
        return settings.is_by_hand

    @override
    def stops_run(self, settings: BenchCheckSettings) -> bool:
        return settings.then == "stop"

    @override
    def quantities(self, settings: BenchCheckSettings) -> tuple[tuple[str, str], ...]:
        where = settings.frequencies_hz
        if where is None:
            return tuple((f"{LEVEL}, {level:g} dBm", "dB") for level in settings.levels_dbm)
        return tuple((_quantity(level, one), "dB") for one in where for level in settings.levels_dbm)

    @override
    def needs(self, settings: BenchCheckSettings, conditions: Conditions) -> tuple[str, ...]:
        matches = ("signal_generator.vswr", "power_meter.vswr") if settings.is_by_hand else (CHECK_PATH,)
        return ("signal_generator.level", "power_meter.power", *matches)

    @override
    def commands(self, settings: BenchCheckSettings, conditions: Conditions) -> frozenset[Need]:
        if settings.is_by_hand:
            return frozenset()
        path = conditions.bench.paths.check
        needed = commands.of("switch", "connect_check", "check_closed")
        if path is not None and path.audio == "joined":
            needed |= commands.of("audio_analyser", "level")
        if settings.supply_v or conditions.supply_v:
            needed |= commands.of("supply", "measured_voltage")
        return needed

    @override
    def demands(self, settings: BenchCheckSettings, conditions: Conditions) -> list[Demand]:
        first = [Demand(at=("levels",), level_dbm=one) for one in settings.levels_dbm[:-1]]
        last = one_level(settings.levels_dbm[-1], key="levels", step_db=PROOF_STEP_DB)  # it ends with that
        return [*first, *last, *_refusals(settings, conditions)]

    @override
    def waits_of(self, settings: BenchCheckSettings, conditions: Conditions) -> Mapping[str, float]:
        count = len(settings.frequencies_of(conditions.bench.paths.check)) * len(settings.levels_dbm)
        return {"signal_generator": count + 1.0, "power_meter": 0.8 * (count + 1.0)}

    @override
    def forecast_s(self, settings: BenchCheckSettings, conditions: Conditions) -> float:
        count = len(settings.frequencies_of(conditions.bench.paths.check)) * len(settings.levels_dbm)
        voltmeter = conditions.bench.with_role("voltmeter")
        line_s = LINE_S if voltmeter is not None and not voltmeter[1].manual else 0.0
        return count * (SETTLE_S + READING_S * settings.readings) + SETTLE_S + READING_S + 1.2 + line_s

    @override
    def measure_loss(
        self, side: LossSide, settings: BenchCheckSettings, conditions: Conditions
    ) -> list[Finding]:
        own = conditions.find_earlier(bench_serial(conditions.bench.bench), self.name)
        if settings.is_by_hand:
            side.connect(
                "direct",
                "Bench check: unit switched off and disconnected, and the generator's output connected straight to the power meter",
            )
        findings = _levels(side, settings, conditions, own)
        side.remove_signal()
        if settings.is_by_hand:
            side.connect("normal", BACK)
        if isinstance(side, CheckSide):
            findings += find_beside(side, settings, conditions, own)
        return findings


def _refusals(settings: BenchCheckSettings, conditions: Conditions) -> list[Demand]:
    """Return what of the settings this bench file forbids."""
    bench, path = conditions.bench, conditions.bench.paths.check
    refused: list[Demand] = []
    if path is None and not settings.is_by_hand:
        refused.append(
            Demand(
                at=("through",),
                refused="bench_check goes through the switch, and the bench file describes no check path",
                allowed="'paths: {check: {loss: …, rating: …}}' in the bench file, or 'through: hand' for a person who joins both; "
                "'sequencer reference bench-health' shows how",
            )
        )
    if path is None and settings.frequencies_hz is None and settings.is_by_hand:
        refused.append(
            Demand(refused="nothing says at which frequencies", allowed="'frequencies: [27 MHz, 28 MHz]'")
        )
    if path is not None and not settings.is_by_hand:
        low, high = min(path.loss), max(path.loss)
        refused += [
            Demand(
                at=("frequencies",),
                refused=f"{frequency_text(one)} is beyond where the loss of the check path is stated",
                allowed=f"{frequency_text(low)} to {frequency_text(high)}"
                if low < high
                else f"at most {MOST_BEYOND:.0%} from {frequency_text(low)}".replace("%", " %"),
            )
            for one in settings.frequencies_hz or ()
            if path.end_taken_hz(one) is not None or (low < high and not low <= one <= high)
        ]
    supply = bench.with_role("supply")
    if settings.supply_v is not None and supply is None:
        refused.append(
            Demand(at=("supply",), refused="the bench has no supply", allowed="no 'supply' of bench_check")
        )
    elif supply is not None and (settings.supply_v or 0.0) > supply[1].max_voltage_v:
        refused.append(
            Demand(
                at=("supply",),
                refused=f"{settings.supply_v:g} V is above max_voltage of {supply[0]}",
                allowed=f"at most {supply[1].max_voltage_v:g} V",
            )
        )
    return refused


def _levels(
    side: LossSide, settings: BenchCheckSettings, conditions: Conditions, own: OwnHistory
) -> list[Finding]:
    """Return what lies between generator and power meter at each level, and see that the meter follows the generator."""
    findings: list[Finding] = []
    last: tuple[float, float, float] | None = None
    for frequency_hz in settings.frequencies_of(conditions.bench.paths.check):
        for level_dbm in settings.levels_dbm:
            side.apply(frequency_hz, level_dbm)
            side.wait_s(SETTLE_S)
            readings = [side.read_power_dbm() for _ in range(settings.readings)]
            readings = agreeing(readings, side.read_power_dbm, within=STEADY_DB)
            found = numbers_of(readings)
            quantity = _quantity(level_dbm, frequency_hz)
            if found is None:
                note = f"power meter: {state_of(readings)}; choose 'levels' that it can read"
                findings.append(
                    Finding(quantity=quantity, value=None, unit="dB", frequency_hz=frequency_hz, note=note)
                )
                continue
            last = frequency_hz, level_dbm, statistics.fmean(found)
            conditions.say(f"{quantity}: {last[2]:.3f} dBm")
            one = _level_found(
                quantity, frequency_hz, side.level_made_dbm(level_dbm), readings, settings, conditions
            )
            findings.append(against_history(one, settings, conditions, own))
    if last is not None:
        frequency_hz, level_dbm, read_dbm = last
        side.apply(frequency_hz, level_dbm - PROOF_STEP_DB)
        side.wait_s(SETTLE_S)
        side.confirm_fall(read_dbm, PROOF_STEP_DB, within_db=PROOF_WITHIN_DB)
    return findings


def _level_found(
    quantity: str,
    frequency_hz: float,
    made_dbm: float,
    readings: Sequence[Reading],
    settings: BenchCheckSettings,
    conditions: Conditions,
) -> Found:
    numbers = numbers_of(readings) or []
    step_db = step_seen(readings)
    value = made_dbm - statistics.fmean(numbers)
    path = conditions.bench.paths.check
    nominal = 0.0 if settings.is_by_hand or path is None else path.loss_db(frequency_hz)
    budget = level_budget(
        quantity,
        value,
        numbers,
        conditions.bench,
        frequency_hz=frequency_hz,
        step_db=step_db,
        by_hand_db=settings.connectors_db if settings.is_by_hand else None,
    )
    return Found(
        kind=LEVEL,
        quantity=quantity,
        value=value,
        unit="dB",
        budget=budget,
        stated=stated_limits(nominal, budget),
        least_sigma=max(step_db, FINEST_DB) / math.sqrt(12.0),
        nominal=nominal,
        frequency_hz=frequency_hz,
    )


def _quantity(level_dbm: float, frequency_hz: float) -> str:
    return f"{LEVEL}, {level_dbm:g} dBm at {frequency_text(frequency_hz)}"
