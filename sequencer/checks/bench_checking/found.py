"""What a bench found of itself, before and after it is held against its history."""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.roles import Reading
from sequencer.analysis.own_history import OwnHistory, expected
from sequencer.checks.bench_checking.settings import BenchCheckSettings
from sequencer.checks.finding import Conditions, Finding
from sequencer.frozen import dataclass
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.decision import Limits

LEVEL, SUPPLY, ZERO, AUDIO = "generator to power meter", "supply", "voltmeter zero", "audio source to meter"
_ROLES = {
    LEVEL: ("signal_generator", "power_meter"),
    SUPPLY: ("supply",),
    ZERO: ("voltmeter",),
    AUDIO: ("audio_analyser",),
}
LOOK_AT = {
    LEVEL: "look at cables and contacts, generator, power meter, in that order; 'sequencer check-bench --golden' tells which",
    SUPPLY: "look at the supply's setting, its current limit and its sense leads",
    ZERO: "look for a voltage on the signal meter's line, then at the voltmeter's zero",
    AUDIO: "look at the audio lead and its contacts, then at source and meter of the audio analyser",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A value with its budget, before it is held against its history. ``nominal`` in ``unit``; ``least_sigma`` is the last digit's."""

    kind: str
    quantity: str
    value: float
    unit: str
    budget: Budget | None
    stated: Limits | None
    least_sigma: float
    nominal: float | None = None
    frequency_hz: float | None = None


def against_history(
    found: Found, settings: BenchCheckSettings, conditions: Conditions, own: OwnHistory
) -> Finding:
    """Return the finding of a value with the limits that its history, and what is stated, put to it."""
    policy = conditions.bench.bench_check
    past = own.past_of(
        own.of_quantity(found.quantity, found.unit), _ROLES[found.kind], policy.since if policy else None
    )
    should = expected(
        found.value,
        found.unit,
        past,
        fewest=settings.fewest,
        baseline=settings.baseline,
        least_sigma=found.least_sigma,
        ignore=_ignored(found, settings),
        stated=found.stated,
    )
    unread = f"its history cannot be read: {own.unreadable}" if own.unreadable else ""
    wrong = "" if should.limits.contains(found.value) else LOOK_AT[found.kind]
    return Finding(
        quantity=found.quantity,
        value=found.value,
        unit=found.unit,
        frequency_hz=found.frequency_hz,
        limits=should.limits,
        budget=found.budget,
        nominal=found.nominal,
        note="; ".join(filter(None, (should.note, unread, wrong))),
    )


def _ignored(found: Found, settings: BenchCheckSettings) -> float:
    """Return how far off does not matter, in the unit of what was found; of a voltage the same ratio."""
    if found.unit == "dB":
        return settings.ignore_db
    if found.kind == ZERO:
        return 0.1 * settings.zero_v
    return abs(found.nominal or 0.0) * (math.pow(10.0, settings.ignore_db / 20.0) - 1.0)


def stated_limits(nominal: float, budget: Budget) -> Limits | None:
    """Return within what a value lies by what the bench file states; None where it does not state all of it."""
    expanded = budget.expanded
    if budget.unstated or expanded is None or not math.isfinite(expanded):
        return None
    return Limits.around(nominal, expanded)


def numbers_of(readings: Sequence[Reading]) -> list[float] | None:
    """Return the numbers of readings; None where one has none."""
    found = [one.number for one in readings if one.number is not None]
    return found if found and len(found) == len(readings) else None


def state_of(readings: Sequence[Reading]) -> str:
    """Return why one of the readings is no number."""
    return next((one.state.value for one in readings if one.number is None), "no reading")
