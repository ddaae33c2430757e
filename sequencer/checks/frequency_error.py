"""Frequency error: how far the carrier lies from the channel's frequency."""

from __future__ import annotations

import statistics
from typing import ClassVar, Literal

from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared.limits import FrequencyErrorLimit
from sequencer.checks.shared.transmit import read_baseband, read_settled
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import instrument_accuracy, repeatability, resolution
from sequencer.uncertainty.decision import Limits

SETTLED_HZ = 3.0
COUNTER_STEP_HZ = 1.0
MORE_READINGS = 2  # with two readings alone, Student's factor is 12.7


class FrequencyErrorSettings(CheckSettings):
    """Settings of `frequency_error`."""

    check: Literal["frequency_error"]
    """Which check this is."""
    read: Literal["analyser", "samples"] = "analyser"
    """Whether the analyser's own count is taken, or what is worked out from its baseband samples."""
    limit: FrequencyErrorLimit | None = None
    """How far the carrier may be off."""


class FrequencyError(Check[FrequencyErrorSettings]):
    """Key the unit without modulation and count its carrier."""

    name: ClassVar[str] = "frequency_error"
    summary: ClassVar[str] = "carrier frequency less the channel's"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM", "CW"})
    settings = FrequencyErrorSettings

    def quantities(self, settings: FrequencyErrorSettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        return (("frequency error", "Hz"),)

    def forecast_s(self, settings: FrequencyErrorSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: four or five counts and the pauses between them."""
        return 0.6

    def transmit(
        self, side: TransmitSide, settings: FrequencyErrorSettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure."""
        carrier_hz = conditions.carrier_hz
        tolerance_hz = settings.limit.within.at(carrier_hz) if settings.limit is not None else None
        limits = Limits() if tolerance_hz is None else Limits(lower=-tolerance_hz, upper=tolerance_hz)
        if settings.read == "samples":
            from sequencer.dsp.baseband import read_carrier_error_hz

            readings = read_baseband(
                side, lambda samples: carrier_hz + read_carrier_error_hz(samples.content, samples.rate_hz)
            )
        else:
            readings = read_settled(side, side.read_frequency_hz, within=SETTLED_HZ)
        side.rest()
        if (bad := next((reading for reading in readings if reading.number is None), None)) is not None:
            note = f"modulation analyser: {bad.state.value}; a carrier far from {carrier_hz / 1e6:.5f} MHz is not found"
            return [Finding(quantity="frequency error", value=None, unit="Hz", limits=limits, note=note)]
        errors_hz = [reading.number - carrier_hz for reading in readings if reading.number is not None]
        budget = error_budget("frequency error", errors_hz, carrier_hz, conditions)
        return [
            Finding(
                quantity="frequency error",
                value=budget.value,
                unit="Hz",
                limits=limits,
                budget=budget,
                # not "+0.41 ppm" alone: in a table's cell a spreadsheet would take that for a formula
                note=f"that is {budget.value / carrier_hz * 1e6:+.2f} ppm",
            )
        ]


def error_budget(quantity: str, errors_hz: list[float], carrier_hz: float, conditions: Conditions) -> Budget:
    """Return the budget of a frequency error: the mean of ``errors_hz``, counted at ``carrier_hz``."""
    entry = conditions.bench.with_role("modulation_analyser")
    reference_ppm = entry[1].accuracy.frequency_ppm if entry is not None else 0.0
    parts = (
        instrument_accuracy("analyser's reference", reference_ppm * 1e-6 * carrier_hz, unit="Hz"),
        resolution("counter's resolution", COUNTER_STEP_HZ, unit="Hz"),
        repeatability("repeatability", errors_hz, unit="Hz"),
    )
    return Budget(quantity=quantity, unit="Hz", value=statistics.fmean(errors_hz), contributions=parts)
