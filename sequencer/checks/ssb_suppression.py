"""SSB suppression: carrier and unwanted sideband, below the peak envelope power of a single tone."""

from __future__ import annotations

import statistics
from typing import ClassVar, Literal

from drivers.roles import Reading
from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared.limits import PowerLimit, RatioLimit
from sequencer.checks.shared.transmit import Drive, Tone, drive_text, not_read, numbers
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import instrument_accuracy, repeatability
from sequencer.uncertainty.decision import Limits

BANDWIDTH_HZ = 100.0
READER_DB = 1.0  # how linear an ordinary selective level reader is over 60 dB: common practice, no source


class SsbSuppressionSettings(CheckSettings):
    """Settings of `ssb_suppression`."""

    check: Literal["ssb_suppression"]
    """Which check this is."""
    drive_v: Drive
    """Level at the microphone input, V rms: full drive, at which the peak envelope power is reached."""
    tone_hz: Tone = 1000.0
    """Tone at the microphone input; carrier and sidebands then lie this far apart."""
    carrier: RatioLimit = RatioLimit()
    """How far the carrier must lie below: usually a min."""
    sideband: RatioLimit = RatioLimit()
    """How far the unwanted sideband must lie below: usually a min."""
    rated: PowerLimit = PowerLimit()
    """`max`: the most power the unit is expected to give, for the plan to hold against the path's rating."""


class SsbSuppression(Check[SsbSuppressionSettings]):
    """Drive with one tone, key the unit, and read wanted tone, carrier and unwanted sideband selectively."""

    name: ClassVar[str] = "ssb_suppression"
    summary: ClassVar[str] = "carrier and unwanted sideband below a full-drive tone"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"USB", "LSB"})
    settings = SsbSuppressionSettings

    def quantities(self, settings: SsbSuppressionSettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        return (("carrier suppression", "dB"), ("unwanted sideband suppression", "dB"))

    def demands(self, settings: SsbSuppressionSettings, conditions: Conditions) -> list[Demand]:
        """Return the power it expects of the unit."""
        return (
            []
            if settings.rated.max_w is None
            else [Demand(at=("rated", "max"), power_w=settings.rated.max_w)]
        )

    def forecast_s(self, settings: SsbSuppressionSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: three readings at each of three places."""
        return 1.5

    def transmit(
        self, side: TransmitSide, settings: SsbSuppressionSettings, conditions: Conditions
    ) -> list[Finding]:
        """Measure."""
        sign = 1.0 if conditions.mode == "USB" else -1.0
        side.apply_audio(tone_hz=settings.tone_hz, level_v=settings.drive_v)
        places = {"wanted": sign * settings.tone_hz, "carrier": 0.0, "unwanted": -sign * settings.tone_hz}
        found = {name: _levels(side, offset_hz) for name, offset_hz in places.items()}
        side.rest()
        note = drive_text(settings.drive_v, settings.tone_hz)
        return [
            _finding("carrier suppression", found["wanted"], found["carrier"], settings.carrier.limits, note),
            _finding(
                "unwanted sideband suppression",
                found["wanted"],
                found["unwanted"],
                settings.sideband.limits,
                note,
            ),
        ]


def _levels(side: TransmitSide, offset_hz: float) -> list[Reading]:
    return [side.read_selective_dbm(offset_hz, BANDWIDTH_HZ) for _ in range(3)]


def _finding(
    quantity: str, wanted: list[Reading], other: list[Reading], limits: Limits, note: str
) -> Finding:
    above, below = numbers(wanted), numbers(other)
    if above is None or below is None:
        return not_read(quantity, "dB", limits, "modulation analyser", wanted if above is None else other)
    ratio_db = statistics.fmean(above) - statistics.fmean(below)
    budget = Budget(
        quantity=quantity,
        unit="dB",
        value=ratio_db,
        contributions=(
            instrument_accuracy("analyser, linearity", READER_DB, unit="dB"),
            repeatability("repeatability, wanted tone", above, unit="dB"),
            repeatability("repeatability, other", below, unit="dB", coefficient=-1.0),
        ),
    )
    return Finding(quantity=quantity, value=ratio_db, unit="dB", limits=limits, budget=budget, note=note)
