"""What the transmit-side checks share: drive settings, settled readings, budgets of power and of the analyser."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Annotated

from pydantic import AfterValidator

from drivers.roles import RangeState, Reading, Samples
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.budgets.level_budget import ReadError
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing, agreeing_share, settle
from sequencer.dsp.samples import SamplesError
from sequencer.files.fields import FrequencyHz, VoltageV, between
from sequencer.inputs.stated import AUDIO_LEAD, SUPPLY_LEAD, TRANSMIT_PATH, transmit_pairs
from sequencer.problems import FieldProblem
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_POWER, resolution, scatter
from sequencer.uncertainty.decision import Limits
from sequencer.units.convert import w_from_dbm
from sequencer.units.format import format_quantity

HIGHEST_DRIVE_V = 10.0  # nothing goes into a microphone input beyond this, whatever a file asks for: common practice, no source
Drive = Annotated[VoltageV, AfterValidator(between(1e-6, HIGHEST_DRIVE_V, "V"))]
Tone = Annotated[FrequencyHz, AfterValidator(between(20.0, 20_000.0, "Hz"))]
MORE_READINGS = 2  # with two readings alone, Student's factor is 12.7
SUPPLY_EXPONENT = 2.0
"""Power into a fixed load goes with the square of the supply's voltage, for a stage driven to its supply (handbook class C, from memory);
one that is regulated follows less, so this is on the safe side where no slope was measured."""
POWER_SCATTER = "repeatability of the power reading"
RECORDINGS = 3
RECORDING_S = 0.25
SAMPLE_RATE_HZ = 48e3
AUDIO_UPPER_HZ = (
    6_000.0  # deviation is looked for up to here: twice the speech band, for the limiter's products
)
COARSE_DB = 0.01  # finer digits are lost in the accuracy of every power meter: common practice, no source
SETTLED_DB = 0.02  # two powers that agree to this are settled: common practice, no source


def raised_v(drive_v: float, above_db: float) -> float:
    """Return the drive raised by ``above_db``, V. Raises FieldProblem for one that no microphone input may be given."""
    level_v = float(drive_v * 10.0 ** (above_db / 20.0))
    if level_v > HIGHEST_DRIVE_V:
        raise FieldProblem(
            f"{above_db:g} dB above a drive of {drive_v:g} V is {level_v:.3g} V",
            at=("above",),
            allowed=f"at most {HIGHEST_DRIVE_V:g} V at the microphone input",
        )
    return level_v


def read_settled(
    side: TransmitSide, read: Callable[[], Reading], *, within: float, share: float | None = None
) -> list[Reading]:
    """Read until two readings agree to ``within``, then two more; what could not be read comes alone.

    None of them may stand out by far, against ``within``, or against a ``share`` of the reading where that is the narrower.
    """
    readings = settle(read, side.wait_s, within=within)
    if any(reading.number is None or reading.by_hand for reading in readings):
        return readings
    readings += [read() for _ in range(MORE_READINGS)]
    if share is not None:
        return agreeing_share(readings, read, share=share)
    return agreeing(readings, read, within=within)


def numbers(readings: Sequence[Reading]) -> list[float] | None:
    """Return the readings' numbers, or None if one of them is none."""
    found = [reading.number for reading in readings if reading.number is not None]
    return found if found and len(found) == len(readings) else None


def not_read(
    quantity: str, unit: str, limits: Limits, instrument: str, readings: Sequence[Reading], hint: str = ""
) -> Finding:
    """Return the finding of a quantity that the instrument could not read, with its own word for why."""
    state = next((reading.state.value for reading in readings if reading.number is None), "no measurement")
    note = f"{instrument}: {state}" + (f"; {hint}" if hint else "")
    return Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=note)


def read_baseband(side: TransmitSide, figure: Callable[[Samples], float], *, within: float) -> list[Reading]:
    """Record complex baseband three times and return what ``figure`` makes of each; SamplesError as no measurement.

    None of them may stand out; ``within`` is what two of them agree to.
    """

    def read() -> Reading:
        return record_baseband(side, figure)

    return agreeing([read() for _ in range(RECORDINGS)], read, within=within)


def record_baseband(side: TransmitSide, figure: Callable[[Samples], float]) -> Reading:
    """Record complex baseband once and return what ``figure`` makes of it; SamplesError as no measurement."""
    samples = side.capture_baseband(RECORDING_S, SAMPLE_RATE_HZ)
    try:
        return Reading(number=figure(samples))
    except SamplesError as error:
        return Reading(number=None, state=RangeState.NO_MEASUREMENT, raw=str(error))


def power_finding(
    quantity: str,
    readings: Sequence[Reading],
    limits: Limits,
    conditions: Conditions,
    note: str = "",
    *,
    further: Sequence[ReadError] = (),
    supply_exponent: float = SUPPLY_EXPONENT,
    drive_exponent: float = 0.0,
) -> Finding:
    """Return the power that ``readings`` (dBm at the antenna connector) come to, W, with its budget.

    ``further`` errors are in dB of power.
    """
    levels_dbm = numbers(readings)
    if levels_dbm is None:
        return not_read(quantity, "W", limits, "power meter", readings)
    power_w = w_from_dbm(statistics.fmean(levels_dbm))
    budget = power_budget(
        quantity,
        power_w,
        levels_dbm,
        conditions,
        further=further,
        supply_exponent=supply_exponent,
        drive_exponent=drive_exponent,
        step_db=step_seen(readings),
    )
    if (step_db := step_seen(readings)) >= COARSE_DB and len(readings) > 1:
        per_db = power_w / DB_PER_RELATIVE_POWER
        # twice the step: nobody knows whether it is rounded or cut
        shown = resolution("power meter, digits shown", 2.0 * step_db, unit="dB", coefficient=per_db)
        budget = replace(budget, contributions=(*budget.contributions, shown))
    return Finding(quantity=quantity, value=power_w, unit="W", limits=limits, budget=budget, note=note)


def power_needs(conditions: Conditions) -> tuple[str, ...]:
    """Return what the bench file must state for a power at the unit's antenna connector to have an uncertainty."""
    supply = () if conditions.supply_v is None else ("supply.voltage", SUPPLY_LEAD)
    return ("power_meter.power", TRANSMIT_PATH, *supply)


def power_budget(
    quantity: str,
    power_w: float,
    levels_dbm: Sequence[float],
    conditions: Conditions,
    *,
    further: Sequence[ReadError] = (),
    supply_exponent: float = SUPPLY_EXPONENT,
    drive_exponent: float = 0.0,
    step_db: float = 0.0,
) -> Budget:
    """Return the budget of a power in W measured through the transmit path.

    The supply's voltage is one of its conditions: power goes with its ``supply_exponent``-th power, as measured, else as `SUPPLY_EXPONENT`;
    and with the ``drive_exponent``-th power of the audio voltage, where it is driven. ``step_db`` is the last digit that the meter showed.
    """
    bench, parts = conditions.bench, Parts(conditions.bench)
    per_db = power_w / DB_PER_RELATIVE_POWER
    parts.add(scatter(POWER_SCATTER, levels_dbm, step=step_db, unit="dB", coefficient=per_db))
    accuracy = HalfWidth.of(bench, "power_meter", "power")
    parts.accuracy(
        "power meter, accuracy", None if accuracy is None else accuracy.of_reading(power_w), unit="W"
    )
    if (meter := bench.with_role("power_meter")) is not None:
        parts.mismatches(transmit_pairs(bench, meter, conditions.frequency_hz or 1.0), coefficient=per_db)
    parts.loss("transmit path, loss", "transmit", conditions.frequency_hz, coefficient=per_db)
    parts.connection(TRANSMIT_PATH, coefficient=per_db)
    parts.connection(AUDIO_LEAD, coefficient=drive_exponent * power_w / 100.0)
    supply = None if conditions.supply_v is None else HalfWidth.of(bench, "supply", "voltage")
    if supply is not None:
        in_w = supply.of_reading(supply_exponent * power_w)
        parts.accuracy("supply, voltage", in_w, unit="W")
        parts.connection(SUPPLY_LEAD, coefficient=supply_exponent * power_w / 100.0)
    for source, half_width, unit in further:
        parts.accuracy(source, half_width, unit=unit, coefficient=per_db)
    return parts.budget(quantity, "W", power_w)


def analyser_finding(
    quantity: str,
    unit: str,
    readings: Sequence[Reading],
    limits: Limits,
    conditions: Conditions,
    *,
    accuracy: str,
    driven: bool = True,
    note: str = "",
) -> Finding:
    """Return what the modulation analyser's ``readings`` come to, with a budget of its accuracy and their scatter.

    ``accuracy`` is the key of the analyser's accuracy, percent of the reading. ``driven``: the audio source's level is a condition of
    the reading, which follows it in full below a limiter and less above: in full is on the safe side.
    """
    found = numbers(readings)
    if found is None:
        return not_read(quantity, unit, limits, "modulation analyser", readings)
    figure = statistics.fmean(found)
    parts = Parts(conditions.bench)
    errors = [("analyser, accuracy", "modulation_analyser", accuracy)]
    errors += [("audio source, level", "audio_analyser", "voltage")] if driven else []
    for source, role, key in errors:
        half_width = HalfWidth.of(conditions.bench, role, key)
        parts.accuracy(source, None if half_width is None else half_width.of_reading(figure), unit=unit)
    if driven:
        parts.connection(AUDIO_LEAD, coefficient=figure / 100.0)
    step = step_seen(readings)
    parts.add(scatter("repeatability", found, step=step, unit=unit))
    budget = parts.budget(quantity, unit, figure)
    return Finding(quantity=quantity, value=figure, unit=unit, limits=limits, budget=budget, note=note)


def with_note(finding: Finding, note: str) -> Finding:
    """Return ``finding`` with ``note`` added to what it says already."""
    return replace(finding, note="; ".join(part for part in (finding.note, note) if part))


def drive_text(drive_v: float, tone_hz: float) -> str:
    """Return a drive as the note says it."""
    return f"{format_quantity(drive_v, 'V')} at {tone_hz:g} Hz"
