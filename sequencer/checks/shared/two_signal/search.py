"""The search for the level at which an interferer spoils a wanted signal, or a product of two signals is heard: what is believed of it.

The curve is foretold from the SINAD that was read without the interferer, and from how far the wanted signal stands above the
sensitivity where that was found; where the interferer spoils usually, from what its kind of check finds, or the offset before.
"""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.checks.shared.level_search.sensitivity import (
    AUDIO_SETTLING,
    SINAD_RANGE_DB,
    SensitivitySettingsBase,
)
from sequencer.frozen import dataclass
from sequencer.search.curve import READING_S, CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_family import Family, fm_family
from sequencer.search.curve_spoilt import Room, fm_spoilt_family, product_family, ratio_spoilt_family
from sequencer.search.protocol import Crossing

MIRRORED_DB = 3.0
"""How far apart the ratios on either side of the channel usually lie, a standard deviation: common practice, no source."""
PRODUCT_ORDER = 3.0
SPOILT_READING_S = (*READING_S, 1.5, 2.0)
"""A spoilt signal's SINAD scatters as much as any, over a curve that is gentler: one reading of 2 s in place of two of 1 s."""
START_ABOVE_DB = 3.0  # below, the product drowns and a reading says nothing but "further up"
SSB_RELATIVE, CW_RELATIVE = 0.07, 0.14  # of the noise power, a 0.1 s reading: see sensitivity.py


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """How far above the wanted signal an interferer usually stands when it spoils that, dB, and a standard deviation."""

    above_db: float
    sd_db: float


ADJACENT = Usual(above_db=62.0, sd_db=8.0)
"""Common practice, no source: 60 to 70 dB are what standards of land-mobile radio ask for, from memory of EN 300 086."""
FAR = Usual(above_db=84.0, sd_db=10.0)
"""Blocking of 84 dB is what EN 300 086 asks for, from memory."""
ON_CHANNEL = Usual(above_db=-7.0, sd_db=3.0)
"""-12 to 0 dB at 12.5 kHz: EN 300 086, from memory."""
RESPONSE = Usual(above_db=70.0, sd_db=12.0)
"""Spurious responses of 70 dB are what EN 300 086 asks for, from memory."""
PRODUCT = Usual(above_db=66.0, sd_db=8.0)
"""65 dB for mobiles, 70 dB for base stations: EN 300 086, from memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """What is told of a receiver: its mode, and in FM deviation, tone and de-emphasis."""

    mode: str
    deviation_hz: float = 1200.0
    tone_hz: float = 1000.0
    deemphasis: bool = True

    @classmethod
    def of(cls, settings: SensitivitySettingsBase, mode: str) -> Receiver:
        """Return what the settings of a check tell of it."""
        return cls(
            mode=mode,
            deviation_hz=settings.deviation_hz,
            tone_hz=settings.tone_hz,
            deemphasis=settings.deemphasis,
        )


def expected_dbm(
    wanted_dbm: float, usual: Usual, offset_hz: float, before: Mapping[float, Crossing]
) -> Expected:
    """Return where the interferer's level is expected: about where the same offset on the other side was found, else as usual."""
    mirrored = before.get(-offset_hz)
    if mirrored is not None and mirrored.level_db is not None:
        return Expected(level_db=mirrored.level_db, sd_db=MIRRORED_DB)
    return Expected(level_db=wanted_dbm + usual.above_db, sd_db=usual.sd_db)


def spoilt_search(
    receiver: Receiver,
    *,
    target_db: float,
    alone_db: float,
    room: Room | None,
    expected: Expected,
    window_dbm: tuple[float, float],
    accuracy_db: float,
) -> CurveSearch:
    """Return the search for the interferer's level at which SINAD has fallen from ``alone_db`` to the target."""
    low_dbm, high_dbm = window_dbm
    return CurveSearch(
        target=target_db,
        window_db=window_dbm,
        level_unit="dBm",
        reading_unit="dB",
        rising=False,
        accuracy_db=accuracy_db,
        prior=_spoilt_family(receiver, target_db, alone_db, room),
        expected=expected,
        settling=AUDIO_SETTLING,
        reading_range=SINAD_RANGE_DB,
        reading_s=SPOILT_READING_S,
        start_db=min(max(expected.level_db, low_dbm), high_dbm),
    )


def _spoilt_family(receiver: Receiver, target_db: float, alone_db: float, room: Room | None) -> Family:
    alone_db = round(alone_db, 1)
    if receiver.mode == "FM":
        return fm_spoilt_family(
            deviation_hz=receiver.deviation_hz,
            deemphasis=receiver.deemphasis,
            tone_hz=receiver.tone_hz,
            target_db=target_db,
            alone_db=alone_db,
            room=room,
        )
    relative = CW_RELATIVE if receiver.mode == "CW" else SSB_RELATIVE
    return ratio_spoilt_family(
        slope=1.0, slope_sd=0.25, relative=relative, target_db=target_db, alone_db=alone_db, room=room
    )


def product_search(
    receiver: Receiver,
    *,
    target_db: float,
    expected: Expected,
    window_dbm: tuple[float, float],
    accuracy_db: float,
) -> CurveSearch:
    """Return the search for the level of two signals at which their product of third order gives the target in FM."""
    low_dbm, high_dbm = window_dbm
    family = fm_family(
        deviation_hz=receiver.deviation_hz,
        deemphasis=receiver.deemphasis,
        bandwidth_hz=None,
        tone_hz=receiver.tone_hz,
        target_db=target_db,
    )
    return CurveSearch(
        target=target_db,
        window_db=window_dbm,
        level_unit="dBm",
        reading_unit="dB",
        accuracy_db=accuracy_db,
        prior=product_family(family, PRODUCT_ORDER),
        expected=expected,
        settling=AUDIO_SETTLING,
        reading_range=SINAD_RANGE_DB,
        start_db=min(max(expected.level_db + START_ABOVE_DB, low_dbm), high_dbm),
    )
