"""How far the bench's own comparisons may be off by what its file states: generator and power meter, supply, audio source and meter."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.checks.shared.budgets.parts import HalfWidth, Parts, two_readings
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.stated import Facing, check_pairs, vswr_of
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import instrument_accuracy, repeatability


def level_budget(
    quantity: str,
    value: float,
    readings: Sequence[float],
    bench: BenchFile,
    *,
    frequency_hz: float,
    step_db: float,
    by_hand_db: float | None,
) -> Budget:
    """Return the budget of what lies between the generator's level and the power meter's reading, dB.

    ``by_hand_db``: half-width of the connectors that a person makes; None through the switch.
    """
    parts = Parts(bench)
    parts.accuracy("generator, level", HalfWidth.of(bench, "signal_generator", "level"), unit="dB")
    power = HalfWidth.of(bench, "power_meter", "power")
    parts.accuracy("power meter", None if power is None else power.in_db(of_power=True), unit="dB")
    if by_hand_db is None:
        parts.loss("check path, loss", "check", frequency_hz)
        parts.mismatches(check_pairs(bench, frequency_hz))
    else:
        parts.add(instrument_accuracy("connectors made anew", by_hand_db, unit="dB", common="none"))
        generator, meter = bench.with_role("signal_generator"), bench.with_role("power_meter")
        if generator is not None and meter is not None:
            direct = "mismatch, generator to power meter"
            parts.mismatches(
                [Facing(name=direct, one=vswr_of(generator), other=vswr_of(meter), with_unit=False)]
            )
    parts.add(repeatability("repeatability", readings, step=step_db, unit="dB"))
    return parts.budget(quantity, "dB", value)


def supply_budget(
    quantity: str, volts: float, readings: Sequence[float], bench: BenchFile, *, step_v: float
) -> Budget:
    """Return the budget of the supply's reading against its setting, V: either may be wrong by its accuracy."""
    parts = Parts(bench)
    accuracy = two_readings(HalfWidth.of(bench, "supply", "voltage"))
    parts.accuracy(
        "supply, setting and reading", None if accuracy is None else accuracy.of_reading(volts), unit="V"
    )
    parts.add(repeatability("repeatability", readings, step=step_v, unit="V"))
    return parts.budget(quantity, "V", sum(readings) / len(readings))


def audio_budget(
    quantity: str, value: float, levels_db: Sequence[float], bench: BenchFile, *, step_db: float
) -> Budget:
    """Return the budget of the audio meter's reading against the source's setting, dB: either may be wrong by its accuracy."""
    parts = Parts(bench)
    accuracy = HalfWidth.of(bench, "audio_analyser", "voltage")
    both = None if accuracy is None else two_readings(accuracy.in_db())
    parts.accuracy("audio source and meter", both, unit="dB")
    parts.add(repeatability("repeatability", levels_db, step=step_db, unit="dB"))
    return parts.budget(quantity, "dB", value)
