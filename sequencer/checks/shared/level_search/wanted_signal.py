"""The signal a receiver is to hear: how the generator makes it in each mode, and where its tone is heard.

FM and AM carry the tone. In SSB the tone is the distance of an unmodulated carrier from the dial, above it for USB and below it for
LSB; in CW it is the receiver's own pitch, with the carrier on the dial. Common practice, no source.
"""

from typing import Annotated

from pydantic import AfterValidator

from drivers.roles import Weighting
from sequencer.checks.finding import Conditions
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared.readings.operator import is_read_by_hand
from sequencer.files.fields import FrequencyDifferenceHz, FrequencyHz, Percent, between
from sequencer.safety.receive import ReceiveSide

BESIDE_THE_DIAL = {"USB": 1.0, "LSB": -1.0}
UNMODULATED = frozenset({"USB", "LSB", "CW"})
"""Modes in which the signal to be heard is a plain carrier."""
CLEARLY_HEARD_DBM = -70.0
"""Where the tone's frequency is read: far above any threshold, far below overload. Workshop's own."""
TONE_SETTLE_S = 0.5
TONE_READING_S = 0.5


class WantedSignal(CheckSettings):
    """What the checks share that let the receiver hear a tone."""

    tone_hz: Annotated[FrequencyHz, AfterValidator(between(20.0, 20_000.0, "Hz"))] = 1000.0
    """Tone to be heard: modulation in FM and AM, distance of the carrier from the dial in USB and LSB."""
    deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))] = 1200.0
    """FM: peak deviation of the generator; 60 % of the permitted maximum is customary."""
    depth_percent: Annotated[Percent, AfterValidator(between(1.0, 100.0, "%"))] = 60.0
    """AM: depth of the generator."""
    pitch_hz: Annotated[FrequencyHz, AfterValidator(between(100.0, 3_000.0, "Hz"))] = 700.0
    """CW: the tone that the receiver makes of a carrier on its dial; about is enough, it is measured."""

    def nominal_tone_hz(self, mode: str) -> float:
        """Return where the tone is heard if the unit is on frequency, Hz."""
        return self.pitch_hz if mode == "CW" else self.tone_hz


def carrier_offset_hz(settings: WantedSignal, mode: str) -> float:
    """Return how far from the dial the carrier stands, Hz."""
    return BESIDE_THE_DIAL.get(mode, 0.0) * settings.tone_hz


def apply_wanted(side: ReceiveSide, settings: WantedSignal, conditions: Conditions, level_dbm: float) -> None:
    """Switch the signal on at ``level_dbm``; returns when the generator stands, the receiver may still be following."""
    match conditions.mode:
        case "FM":
            side.apply_fm(level_dbm, deviation_hz=settings.deviation_hz, tone_hz=settings.tone_hz)
        case "AM":
            side.apply_am(level_dbm, depth_percent=settings.depth_percent, tone_hz=settings.tone_hz)
        case mode:
            side.apply_carrier(level_dbm, offset_hz=carrier_offset_hz(settings, mode))


def find_tone_hz(
    side: ReceiveSide,
    settings: WantedSignal,
    conditions: Conditions,
    *,
    at_dbm: float = CLEARLY_HEARD_DBM,
    weighting: Weighting = "flat",
) -> float | None:
    """Set the audio readings to the tone, and return where it is heard, Hz; None where nothing is.

    In SSB and CW the unit's frequency error moves the tone by tens of hertz and out of a notch: there it is measured first, with
    the signal at ``at_dbm``. A person's meter is tuned by hand.
    """
    tone_hz = settings.nominal_tone_hz(conditions.mode)
    side.configure_audio(tone_hz=tone_hz, weighting=weighting)
    if conditions.mode not in UNMODULATED or is_read_by_hand(conditions, "audio_analyser"):
        return tone_hz
    apply_wanted(side, settings, conditions, at_dbm)
    side.wait_s(TONE_SETTLE_S)
    found_hz = side.read_audio_frequency_hz(TONE_READING_S).number
    if found_hz is not None:
        side.configure_audio(tone_hz=found_hz, weighting=weighting)
    return found_hz


def tone_s(mode: str) -> float:
    """Return about how long `find_tone_hz` takes, s."""
    return TONE_SETTLE_S + TONE_READING_S + 0.2 if mode in UNMODULATED else 0.0


def why_no_tone(conditions: Conditions, at_dbm: float = CLEARLY_HEARD_DBM) -> str:
    """Return in words that no tone was heard where one should be."""
    return (
        f"no tone is heard in {conditions.mode} at {at_dbm:g} dBm: is the unit on this channel and mode, its clarifier in the "
        "middle, the squelch open and the volume up?"
    )
