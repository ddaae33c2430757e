"""Proof, before a receiver is called deaf, that what it heard was the generator's signal: on this channel, with this modulation."""

from __future__ import annotations

import itertools
from collections.abc import Callable

from drivers.roles import Reading
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.level_search.wanted_signal import WantedSignal, carrier_offset_hz
from sequencer.checks.shared.readings.operator import is_by_hand
from sequencer.safety.receive import ReceiveSide

UNLIKELY_DBM = -95.0  # a working receiver needs far less: workshop's own
ABOVE_FOUND_DB = 6.0  # where a ratio has room to fall
APART_HZ = 12_500.0  # where no plan says how far channels lie apart
FALL_DB = 3.0  # a channel off, or half the modulation (6 dB less signal), takes more of a ratio
SETTLE_S = 0.3
READING_S = 0.25
PROOF_FORECAST_S = 2.5  # with the clearer readings of a second look; measured on the simulated bench


def confirm_signal_counts(
    side: ReceiveSide,
    wanted: WantedSignal,
    conditions: Conditions,
    read: Callable[[float], Reading],
    *,
    target: str,
    at_dbm: float,
) -> None:
    """Raise UnexpectedReply where the ratio at ``at_dbm`` does not fall off the channel, or with half the modulation.

    Five readings. A person's generator and a person's meter are left to the person.
    """
    if is_by_hand(conditions, "audio_analyser"):
        return

    def once() -> Reading:
        return read(READING_S)

    side.confirm_frequency_counts(
        target,
        once,
        at_dbm=at_dbm,
        carrier_hz=0.0 if target == "quieting" else carrier_offset_hz(wanted, conditions.mode),
        apart_hz=apart_hz(conditions),
        fall=FALL_DB,
        settle_s=SETTLE_S,
    )
    if target == "quieting" or conditions.mode not in ("FM", "AM"):
        return

    def modulate(share: float) -> None:
        if conditions.mode == "FM":
            side.set_fm(deviation_hz=share * wanted.deviation_hz, tone_hz=wanted.tone_hz)
        elif (
            target == "(S+N)/N"
        ):  # its reader modulates anew each time, to the depth that stands in the settings
            return
        else:
            side.set_am(depth_percent=share * wanted.depth_percent, tone_hz=wanted.tone_hz)

    if conditions.mode == "FM" or target == "SINAD":
        side.confirm_modulation_counts(target, once, modulate, fall=FALL_DB, settle_s=SETTLE_S)


def apart_hz(conditions: Conditions) -> float:
    """Return how far the plan's channels lie apart at the least, Hz."""
    channels_hz = sorted(set(conditions.plan.frequencies_hz.values())) if conditions.plan is not None else []
    return min((high - low for low, high in itertools.pairwise(channels_hz)), default=APART_HZ)
