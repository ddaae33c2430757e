"""What a bench compares beside generator and power meter: supply, voltmeter, audio source and meter."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from drivers.roles import Reading
from sequencer.analysis.own_history import OwnHistory
from sequencer.checks.bench_checking.budgets import audio_budget, supply_budget
from sequencer.checks.bench_checking.found import (
    AUDIO,
    LOOK_AT,
    SUPPLY,
    ZERO,
    Found,
    against_history,
    numbers_of,
    state_of,
    stated_limits,
)
from sequencer.checks.bench_checking.settings import BenchCheckSettings
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import settle
from sequencer.safety.check_side import CheckSide
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import FINEST_DB
from sequencer.uncertainty.decision import Limits

READING_S = 0.1
TONE_HZ = 1000.0
AUDIO_READING_S = 0.2
FINEST_V = 1e-4


def find_beside(
    side: CheckSide, settings: BenchCheckSettings, conditions: Conditions, own: OwnHistory
) -> list[Finding]:
    """Return what else can be compared: the supply with its setting, the voltmeter with nought, the audio source with its meter."""
    bench = conditions.bench
    found: list[Found | Finding] = []
    supply, volts = bench.with_role("supply"), settings.supply_v or conditions.supply_v
    can_feed = supply is not None and not supply[1].manual and volts is not None
    voltmeter = bench.with_role("voltmeter")
    if voltmeter is not None and not voltmeter[1].manual and side.unit_is_unfed:
        found.append(_zero(side, settings, volts if can_feed else None))
    path = bench.paths.check
    if path is not None and path.audio == "joined" and bench.with_role("audio_analyser") is not None:
        readings = side.read_audio_v(
            TONE_HZ, settings.audio_v, count=settings.readings, reading_s=AUDIO_READING_S
        )
        found.append(_audio(readings, settings, conditions))
    if can_feed and volts is not None:
        readings = side.read_supply_v(volts, count=settings.readings)
        quantity = f"{SUPPLY} at {volts:g} V"
        if (numbers := numbers_of(readings)) is None:
            found.append(_voltage(SUPPLY, quantity, volts, readings, None, None))
        else:
            budget = supply_budget(quantity, volts, numbers, bench, step_v=step_seen(readings))
            found.append(_voltage(SUPPLY, quantity, volts, readings, stated_limits(volts, budget), budget))
    return [
        one if isinstance(one, Finding) else against_history(one, settings, conditions, own) for one in found
    ]


def _zero(side: CheckSide, settings: BenchCheckSettings, fed_v: float | None) -> Found | Finding:
    """Return what the voltmeter shows of an unfed unit's line. One that gave a single answer must give another with the unit fed.

    A voltmeter that stands at nought would pass every check of its zero; where nothing shows that it does not, none decides on it.
    """
    shown: list[Reading] = []

    def read() -> Reading:
        shown.append(side.read_idle_voltage_v(READING_S))
        return shown[-1]

    readings = settle(read, side.wait_s, within=0.02 * settings.zero_v)[
        -1:
    ]  # a needle's line falls for a while
    while not _differ(shown) and len(shown) < settings.readings and readings[0].number is not None:
        read()
    if fed_v is not None and not _differ(shown):
        shown.append(side.read_fed_line_v(fed_v, READING_S))
    found = _voltage(ZERO, ZERO, 0.0, readings, Limits.around(0.0, settings.zero_v), None)
    if isinstance(found, Finding) or _differ(shown):
        return found
    fed = " as with it" if fed_v is not None else ""
    note = (
        f"the voltmeter gave the same answer {len(shown)} times, without supply{fed}: nothing shows that it moves at all, so that no "
        "limit is put to it; see that its display moves"
    )
    return Finding(quantity=ZERO, value=found.value, unit="V", exact=True, note=note)


def _differ(readings: Sequence[Reading]) -> bool:
    return len({one.raw or one.number for one in readings}) > 1


def _voltage(
    kind: str,
    quantity: str,
    nominal: float,
    readings: Sequence[Reading],
    stated: Limits | None,
    budget: Budget | None,
) -> Found | Finding:
    numbers = numbers_of(readings)
    if numbers is None:
        return Finding(quantity=quantity, value=None, unit="V", note=f"no reading: {state_of(readings)}")
    return Found(
        kind=kind,
        quantity=quantity,
        value=statistics.fmean(numbers),
        unit="V",
        budget=budget,
        stated=stated,
        least_sigma=max(step_seen(readings), FINEST_V) / math.sqrt(12.0),
        nominal=nominal,
    )


def _audio(
    readings: Sequence[Reading], settings: BenchCheckSettings, conditions: Conditions
) -> Found | Finding:
    quantity = f"{AUDIO}, {settings.audio_v * 1e3:g} mV"
    numbers = numbers_of(readings)
    if numbers is None or min(numbers) <= 0.0:
        why = state_of(readings) if numbers is None else "the audio meter reads nothing of its source"
        return Finding(quantity=quantity, value=None, unit="dB", note=f"{why}; {LOOK_AT[AUDIO]}")
    levels_db = [20.0 * math.log10(one / settings.audio_v) for one in numbers]
    value = statistics.fmean(levels_db)
    step_db = 20.0 / math.log(10.0) * step_seen(readings) / settings.audio_v
    budget = audio_budget(quantity, value, levels_db, conditions.bench, step_db=step_db)
    return Found(
        kind=AUDIO,
        quantity=quantity,
        value=value,
        unit="dB",
        budget=budget,
        stated=stated_limits(0.0, budget),
        least_sigma=max(step_db, FINEST_DB) / math.sqrt(12.0),
        nominal=0.0,
    )
