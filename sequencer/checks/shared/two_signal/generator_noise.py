"""Whether the second generator's own noise on the wanted channel may be what spoils reception, in place of the receiver.

Its noise falls with the square of the distance from its carrier to a floor (textbook); what of it lies within the channel's filter spoils
as a signal on the channel does. A ratio within 10 dB of what that alone gives is the receiver's only at least: noise 10 dB lower adds
0.4 dB (derived). 8 kHz of filter and 12 dB of co-channel ratio are those of 12.5 kHz channels, from memory of EN 300 086; a greater SINAD
asks for as much more, and AM for 10 dB more: a tone of 30 % lies 10.5 dB below its carrier (derived). On the simulated bench noise alone
gives 0.2 dB more than said for 12 dB SINAD in FM, 0.4 to 3 dB more for 14 to 28 dB, and up to 3 dB less in AM near the sensitivity.
"""

import math
from dataclasses import replace

from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.budgets.parts import find_entry
from sequencer.inputs.bench import INTERFERER
from sequencer.inputs.bench_parts.instrument_roles import SignalGenerator

NEAR_HZ = 10e3
FILTER_HZ = 8e3
ON_CHANNEL_DB = 12.0
AM_TONE_DB = 10.0
ROOM_DB = 10.0
UNSTATED = "the second generator's own noise is not stated ('phase_noise' and 'far_noise' of its entry): it may be what spoils here"


def own_ratio_db(conditions: Conditions, offset_hz: float, target_db: float) -> float | None:
    """Return the ratio, dB, at which the second generator's noise alone would spoil reception to ``target_db``; None where not stated."""
    named = find_entry(conditions.bench, INTERFERER)
    if named is None or not isinstance(named[1], SignalGenerator):
        return None
    near_db, far_db = named[1].phase_noise_db, named[1].far_noise_db
    if near_db is None or far_db is None:
        return None
    density = 10.0 ** (near_db / 10.0) * (NEAR_HZ / offset_hz) ** 2 + 10.0 ** (far_db / 10.0)
    below_db = max(ON_CHANNEL_DB, target_db) + (AM_TONE_DB if conditions.mode == "AM" else 0.0)
    return -10.0 * math.log10(density * FILTER_HZ) - below_db


def beside_own_noise(finding: Finding, conditions: Conditions, offset_hz: float) -> Finding:
    """Return a ratio with what the second generator's noise says of it: no number where it would fail by that noise."""
    if finding.value is None or not offset_hz:
        return finding
    fails = finding.counts_against_unit
    own_db = own_ratio_db(conditions, offset_hz, finding.target or 0.0)
    if own_db is None:
        return replace(finding, note=f"{finding.note}; {UNSTATED}") if fails else finding
    if finding.value <= own_db - ROOM_DB:
        return finding
    note = f"{finding.note}; the second generator's own noise alone gives about {own_db:.0f} dB"
    if not fails:
        return replace(finding, bound="at least", note=note)
    said = (
        f"the receiver rejects at least {finding.value:.1f} dB, and a quieter generator would show how much"
    )
    return replace(finding, value=None, budget=None, note=f"{note}: {said}")
