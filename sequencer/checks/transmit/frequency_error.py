"""Frequency error: how far the carrier lies from the channel's frequency."""

import statistics
from collections.abc import Sequence
from typing import ClassVar, Literal

from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import FrequencyErrorLimit
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.transmit.keyed_readings import read_baseband, read_settled
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import scatter
from sequencer.uncertainty.decision import Limits

SETTLED_HZ = 3.0
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
    depends_on: ClassVar[DependsOn] = frozenset({"reference"})
    settings = FrequencyErrorSettings

    @override
    def quantities(self, settings: FrequencyErrorSettings) -> tuple[tuple[str, str], ...]:
        return (("frequency error", "Hz"),)

    @override
    def limits_of(self, settings: FrequencyErrorSettings, conditions: Conditions) -> tuple[Limits, ...]:
        tolerance_hz = settings.limit.within.at(conditions.carrier_hz) if settings.limit is not None else None
        return (Limits() if tolerance_hz is None else Limits.around(0.0, tolerance_hz),)

    def needs(self, settings: FrequencyErrorSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return FREQUENCY_NEEDS if settings.read == "analyser" else FREQUENCY_NEEDS[:1]

    def commands(self, settings: FrequencyErrorSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return (
            commands.recording("modulation_analyser", "recorded_baseband")
            if settings.read == "samples"
            else commands.of("modulation_analyser", "carrier_frequency")
        )

    def forecast_s(self, settings: FrequencyErrorSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: four or five counts and the pauses between them."""
        return 0.53

    @override
    def may_join_key(self, settings: FrequencyErrorSettings) -> bool:
        return settings.read == "analyser"  # what is worked out from samples takes its time

    @override
    def transmit(
        self, side: TransmitSide, settings: FrequencyErrorSettings, conditions: Conditions
    ) -> list[Finding]:
        carrier_hz = conditions.carrier_hz
        (limits,) = self.limits_of(settings, conditions)
        if settings.read == "samples":
            from sequencer.dsp.baseband import read_carrier_error_hz

            readings = read_baseband(
                side,
                lambda samples: carrier_hz + read_carrier_error_hz(samples.content, samples.rate_hz),
                within=SETTLED_HZ,
            )
        else:
            readings = read_settled(side, side.read_frequency_hz, within=SETTLED_HZ)
        again = ""
        last = readings[-1]
        if (
            settings.read == "analyser"
            and last.number is not None
            and not last.by_hand
            and side.is_elsewhere(last)
        ):
            # an analyser that has locked to another signal, or a unit that was late: over by the next key-down
            again = f"; measured again, because at first: frequency error {last.number - carrier_hz:.4g} Hz"
            side.pause_s(0.0)
            readings = read_settled(side, side.read_frequency_hz, within=SETTLED_HZ)
        side.rest()
        if (bad := next((reading for reading in readings if reading.number is None), None)) is not None:
            note = f"modulation analyser: {bad.state.value}; a carrier far from {carrier_hz / 1e6:.5f} MHz is not found{again}"
            return [Finding(quantity="frequency error", value=None, unit="Hz", limits=limits, note=note)]
        errors_hz = [reading.number - carrier_hz for reading in readings if reading.number is not None]
        counted = settings.read == "analyser"
        step_hz = counted_step_hz(readings) if counted else 0.0
        budget = error_budget(
            "frequency error", errors_hz, carrier_hz, conditions, counted=counted, step_hz=step_hz
        )
        return [
            Finding(
                quantity="frequency error",
                value=budget.value,
                unit="Hz",
                limits=limits,
                budget=budget,
                # not "+0.41 ppm" alone: in a table's cell a spreadsheet would take that for a formula
                note=f"that is {budget.value / carrier_hz * 1e6:+.2f} ppm{again}",
            )
        ]


FREQUENCY_NEEDS = ("modulation_analyser.frequency", "modulation_analyser.resolution")
"""What the bench file must state for a counted frequency to have an uncertainty."""


def counted_step_hz(readings: Sequence[Reading]) -> float:
    """Return the step that counts show by differing, Hz: of counts that are all the same the bench file's word is taken.

    A person's count shows it by its last digit.
    """
    found = {reading.number for reading in readings if reading.number is not None}
    return step_seen(readings) if len(found) > 1 or any(one.by_hand for one in readings) else 0.0


def error_budget(
    quantity: str,
    errors_hz: list[float],
    carrier_hz: float,
    conditions: Conditions,
    *,
    counted: bool = True,
    step_hz: float = 0.0,
) -> Budget:
    """Return the budget of a frequency error: the mean of ``errors_hz``, read at ``carrier_hz``; ``counted`` in steps, or from samples.

    ``step_hz`` is the step that the counts show, where it is coarser than the one stated.
    """
    bench, parts = conditions.bench, Parts(conditions.bench)
    reference = HalfWidth.of(bench, "modulation_analyser", "frequency")
    step = HalfWidth.of(bench, "modulation_analyser", "resolution") if counted else None
    in_hz = None if reference is None else reference.times(1e-6 * carrier_hz)
    parts.accuracy("analyser's reference", in_hz, unit="Hz")
    # half a step to either side; where in the step a carrier lies is another matter at each reading of another carrier
    half_step = None if step is None else step.times(0.5)
    parts.accuracy("counter's resolution", half_step, unit="Hz", common="none")
    parts.add(scatter("repeatability", errors_hz, step=step_hz, unit="Hz"))
    return parts.budget(quantity, "Hz", statistics.fmean(errors_hz))
