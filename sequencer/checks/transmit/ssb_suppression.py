"""SSB suppression: carrier and unwanted sideband, below the peak envelope power of a single tone."""

import statistics
from collections.abc import Mapping
from types import MappingProxyType
from typing import ClassVar, Literal

from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import PowerLimit, RatioLimit
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing
from sequencer.checks.shared.transmit.drive_response import RESPONSE_FORECAST_S, falls_by_db, hold_to_drive
from sequencer.checks.shared.transmit.keyed_readings import Drive, Tone, drive_text, not_read, numbers
from sequencer.inputs.stated import AUDIO_LEAD
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_VOLTAGE, repeatability
from sequencer.uncertainty.decision import Limits

BANDWIDTH_HZ = 100.0
SAME_SHARE = 1.05  # of the bandwidth asked for: the same, by another rounding
TOLD_APART = (
    1.0 / 3.0
)  # of the lines' distance: a filter no wider still holds the next line off; common practice, no source
STEADY_DB = 0.5  # what a selective reading of a steady tone scatters by, at most: common practice, no source


class SsbSuppressionSettings(CheckSettings):
    """Settings of `ssb_suppression`."""

    check: Literal["ssb_suppression"]
    """Which check this is."""
    drive_v: Drive
    """Level at the microphone input, V rms: full drive, at which the peak envelope power is reached."""
    tone_hz: Tone = 1000.0
    """Tone at the microphone input; carrier and sidebands then lie this far apart."""
    carrier: RatioLimit = RatioLimit.unstated()
    """How far the carrier must lie below: usually a min."""
    sideband: RatioLimit = RatioLimit.unstated()
    """How far the unwanted sideband must lie below: usually a min."""
    rated: PowerLimit = PowerLimit.unstated()
    """`max`: the most power the unit is expected to give, for the plan to hold against the path's rating."""


class SsbSuppression(Check[SsbSuppressionSettings]):
    """Drive with one tone, key the unit, and read wanted tone, carrier and unwanted sideband selectively."""

    name: ClassVar[str] = "ssb_suppression"
    summary: ClassVar[str] = "carrier and unwanted sideband below a full-drive tone"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"USB", "LSB"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    waits: ClassVar[Mapping[str, float]] = {"modulation_analyser": 20.0}
    limit_keys = MappingProxyType({"carrier": "carrier", "unwanted sideband": "sideband"})
    settings = SsbSuppressionSettings

    @override
    def quantities(self, settings: SsbSuppressionSettings) -> tuple[tuple[str, str], ...]:
        return (("carrier suppression", "dB"), ("unwanted sideband suppression", "dB"))

    @override
    def limits_of(self, settings: SsbSuppressionSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (settings.carrier.limits, settings.sideband.limits)

    def demands(self, settings: SsbSuppressionSettings, conditions: Conditions) -> list[Demand]:
        """Return the power it expects of the unit."""
        return (
            []
            if settings.rated.max_w is None
            else [Demand(at=("rated", "max"), power_w=settings.rated.max_w)]
        )

    def needs(self, settings: SsbSuppressionSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return ("modulation_analyser.linearity", "audio_analyser.voltage", AUDIO_LEAD)

    def commands(self, settings: SsbSuppressionSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.of("modulation_analyser", "selective_bandwidth", "selective_level")

    def forecast_s(self, settings: SsbSuppressionSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: three readings at each of three places, and one at a lower drive."""
        return 1.3 + RESPONSE_FORECAST_S

    @override
    def transmit(
        self, side: TransmitSide, settings: SsbSuppressionSettings, conditions: Conditions
    ) -> list[Finding]:
        sign = 1.0 if conditions.mode == "USB" else -1.0
        side.apply_audio(tone_hz=settings.tone_hz, level_v=settings.drive_v)
        places = {"wanted": sign * settings.tone_hz, "carrier": 0.0, "unwanted": -sign * settings.tone_hz}
        found = {name: _levels(side, offset_hz) for name, offset_hz in places.items()}
        wanted_dbm = numbers(found["wanted"])
        note = drive_text(settings.drive_v, settings.tone_hz)
        made_hz = side.bandwidth_made_hz
        if made_hz is not None and made_hz > SAME_SHARE * BANDWIDTH_HZ:
            note += (
                f"; within {made_hz:g} Hz in place of {BANDWIDTH_HZ:g} Hz, the nearest that the analyser has"
            )
        if made_hz is not None and made_hz > TOLD_APART * settings.tone_hz:
            side.rest()
            why = f"{note}: too wide to tell lines {settings.tone_hz:g} Hz apart; take a higher 'tone'"
            return [
                Finding(quantity=quantity, value=None, unit=unit, limits=one, note=why)
                for (quantity, unit), one in zip(
                    self.quantities(settings), self.limits_of(settings, conditions), strict=True
                )
            ]
        findings = [
            _finding(
                "carrier suppression",
                found["wanted"],
                found["carrier"],
                settings.carrier.limits,
                note,
                conditions,
                driven=True,
            ),
            _finding(
                "unwanted sideband suppression",
                found["wanted"],
                found["unwanted"],
                settings.sideband.limits,
                note,
                conditions,
                driven=False,
            ),
        ]
        held = hold_to_drive(
            side,
            findings,
            lambda: side.read_selective_dbm(places["wanted"], BANDWIDTH_HZ),
            before=None if wanted_dbm is None else statistics.fmean(wanted_dbm),
            tone_hz=settings.tone_hz,
            level_v=settings.drive_v,
            conditions=conditions,
            follows=falls_by_db,
        )
        side.rest()
        return held


def _levels(side: TransmitSide, offset_hz: float) -> list[Reading]:
    def read() -> Reading:
        return side.read_selective_dbm(offset_hz, BANDWIDTH_HZ)

    return agreeing([read() for _ in range(3)], read, within=STEADY_DB)


def _finding(
    quantity: str,
    wanted: list[Reading],
    other: list[Reading],
    limits: Limits,
    note: str,
    conditions: Conditions,
    *,
    driven: bool,
) -> Finding:
    above, below = numbers(wanted), numbers(other)
    if above is None or below is None:
        return not_read(quantity, "dB", limits, "modulation analyser", wanted if above is None else other)
    ratio_db = statistics.fmean(above) - statistics.fmean(below)
    parts = Parts(conditions.bench)
    parts.accuracy(
        "analyser, linearity", HalfWidth.of(conditions.bench, "modulation_analyser", "linearity"), unit="dB"
    )
    if (
        driven
    ):  # the wanted tone follows the drive, the carrier does not; the unwanted sideband does, and so cancels
        volts = HalfWidth.of(conditions.bench, "audio_analyser", "voltage")
        parts.accuracy("audio source, level", None if volts is None else volts.in_db(), unit="dB")
        parts.connection(AUDIO_LEAD, coefficient=DB_PER_RELATIVE_VOLTAGE / 100.0)
    parts.add(
        repeatability("repeatability, wanted tone", above, step=step_seen(wanted), unit="dB"),
        repeatability("repeatability, other", below, step=step_seen(other), unit="dB", coefficient=-1.0),
    )
    budget = parts.budget(quantity, "dB", ratio_db)
    return Finding(quantity=quantity, value=ratio_db, unit="dB", limits=limits, budget=budget, note=note)
