"""Residual modulation: hum and noise on a carrier that nobody speaks into, below normal test modulation."""

import math
import statistics
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import AudioFilters
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.budgets.filters_made import filters_note, filters_part
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.transmit.keyed_readings import not_read, numbers, read_settled
from sequencer.checks.shared.transmit.source_off import needs_proof, why_not_off
from sequencer.files.fields import FrequencyDifferenceHz, Percent, between
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.contributions import repeatability
from sequencer.units.format import short_quantity

DEEMPHASIS_S = 750e-6
NOISE_SHARE = 0.1  # what an rms reading of hum and noise scatters by: common practice, no source
PER_RELATIVE_DB = 20.0 / math.log(10.0)


class ResidualModulationSettings(CheckSettings):
    """Settings of `residual_modulation`."""

    check: Literal["residual_modulation"]
    """Which check this is."""
    deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))] = 1200.0
    """FM: the peak deviation of normal test modulation, to which the residual is referred."""
    depth_percent: Annotated[Percent, AfterValidator(between(1.0, 100.0, "%"))] = 60.0
    """AM: the depth of normal test modulation, to which the residual is referred."""
    limit: RatioLimit = RatioLimit.unstated()
    """How far below the reference it must lie: usually a min."""


class ResidualModulation(Check[ResidualModulationSettings]):
    """Key the unit with the source off and read the rms of what still modulates, 300 Hz to 3 kHz, de-emphasised in FM."""

    name: ClassVar[str] = "residual_modulation"
    summary: ClassVar[str] = "hum and noise below normal test modulation"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    settings = ResidualModulationSettings

    @override
    def quantities(self, settings: ResidualModulationSettings) -> tuple[tuple[str, str], ...]:
        return (("residual modulation, below normal", "dB"),)

    def needs(self, settings: ResidualModulationSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return ("modulation_analyser.residual",)

    def commands(self, settings: ResidualModulationSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.rms_modulation(conditions.mode) | commands.demodulated_audio(
            deemphasis=conditions.mode == "FM"
        )

    def forecast_s(self, settings: ResidualModulationSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: four or five readings."""
        return 0.8

    def transmit(
        self, side: TransmitSide, settings: ResidualModulationSettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure: both residual and reference as rms; the reference's sine has 1/√2 of its peak."""
        is_fm = conditions.mode == "FM"
        mode: Literal["FM", "AM"] = "FM" if is_fm else "AM"
        asked = AudioFilters(
            high_pass_hz=300.0, low_pass_hz=3000.0, deemphasis_s=DEEMPHASIS_S if is_fm else None
        )
        side.configure_analyser(mode, asked)
        made = side.filters_made
        side.remove_audio()
        read = side.read_rms_deviation_hz if is_fm else side.read_rms_depth_percent
        readings = read_settled(side, read, within=5.0 if is_fm else 0.2, share=NOISE_SHARE)
        quantity, limits = "residual modulation, below normal", settings.limit.limits
        rms = numbers(readings)
        if rms is None:
            side.configure_analyser(mode)
            return [not_read(quantity, "dB", limits, "modulation analyser", readings)]
        peak = settings.deviation_hz if is_fm else settings.depth_percent
        # the de-emphasis has a gain of its own at the 1 kHz of normal test modulation, which the reference gets too
        deemphasis_s = DEEMPHASIS_S if made is None or made.deemphasis_s is None else made.deemphasis_s
        gain = 1.0 / math.hypot(1.0, 2.0 * math.pi * 1000.0 * deemphasis_s) if is_fm else 1.0
        mean = max(statistics.fmean(rms), 1e-6)
        below_db = 20.0 * math.log10(peak * gain / math.sqrt(2.0) / mean)
        unit = "Hz" if is_fm else "%"
        doubt, is_doubted = "", needs_proof(below_db, limits, conditions)
        with conditions.further("that the audio source was off", wanted=is_doubted) as further:
            doubt = why_not_off(side, read, mean, unit) if further.takes else ""
        side.configure_analyser(mode)
        if doubt and is_doubted and not further.is_missing:
            return [Finding(quantity=quantity, value=None, unit="dB", limits=limits, note=doubt)]
        parts = Parts(conditions.bench)
        accuracy = HalfWidth.of(conditions.bench, "modulation_analyser", "residual")
        parts.accuracy("analyser, rms accuracy", None if accuracy is None else accuracy.in_db(), unit="dB")
        parts.add(*filters_part(asked, made))
        step = step_seen(readings)
        parts.add(
            repeatability("repeatability", rms, step=step, unit=unit, coefficient=PER_RELATIVE_DB / mean)
        )
        budget = parts.budget(quantity, "dB", below_db)
        note = f"{short_quantity(mean, unit)} rms against {short_quantity(peak, unit)} peak"
        note = "; ".join(filter(None, (note, filters_note(asked, made), further.note)))
        return [
            Finding(quantity=quantity, value=below_db, unit="dB", limits=limits, budget=budget, note=note)
        ]
