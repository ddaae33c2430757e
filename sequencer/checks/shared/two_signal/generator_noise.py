"""Whether the second generator's own noise on the wanted channel may be what spoils reception, in place of the receiver.

Its noise falls with the square of the distance from its carrier to a floor (textbook); what of it lies within the channel's filter spoils
as a signal on the channel does. A ratio within 10 dB of what that alone gives is the receiver's only at least: noise 10 dB lower adds
0.4 dB (derived). 8 kHz of filter and 12 dB of co-channel ratio are those of 12.5 kHz channels, from memory of EN 300 086; a greater SINAD
asks for as much more, and AM for 10 dB more: a tone of 30 % lies 10.5 dB below its carrier (derived). On the simulated bench noise alone
gives 0.2 dB more than said for 12 dB SINAD in FM, 0.4 to 3 dB more for 14 to 28 dB, and up to 3 dB less in AM near the sensitivity.

A product of two signals is heard in the noise of both generators: it hides part of the product, which then has to be stronger, and makes
the unit look better. The receiver's own noise, as one on the channel, lies 9 dB below the sensitivity: 12 dB of a noise that has half of
the room beside a wanted signal 3 dB above it (derived). A product of third order rises by 3 dB for each dB, so that a third of it counts.
"""

import math
from collections.abc import Mapping
from dataclasses import replace

from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.budgets.parts import find_entry
from sequencer.checks.shared.two_signal.search import PRODUCT_ORDER
from sequencer.frozen import dataclass
from sequencer.inputs.bench import INTERFERER
from sequencer.inputs.bench_parts.instrument_roles import SignalGenerator

NEAR_HZ = 10e3
FILTER_HZ = 8e3
ON_CHANNEL_DB = 12.0
AM_TONE_DB = 10.0
ROOM_DB = 10.0
ROOM_ABOVE_DB = 3.0
HIDES_DB = 1.0  # half is taken off and stands in the budget; what is left of more is a bound: workshop's own
UNSTATED = "the second generator's own noise is not stated ('phase_noise' and 'far_noise' of its entry): it may be what spoils here"


def own_ratio_db(conditions: Conditions, offset_hz: float, target_db: float) -> float | None:
    """Return the ratio, dB, at which the second generator's noise alone would spoil reception to ``target_db``; None where not stated."""
    share = _share(conditions, INTERFERER, offset_hz)
    if share is None:
        return None
    below_db = max(ON_CHANNEL_DB, target_db) + (AM_TONE_DB if conditions.mode == "AM" else 0.0)
    return -10.0 * math.log10(share) - below_db


def _share(conditions: Conditions, role: str, offset_hz: float) -> float | None:
    """Return what a generator's noise on the channel is of its power where it stands ``offset_hz`` away; None where not stated."""
    named = find_entry(conditions.bench, role)
    if named is None or not isinstance(named[1], SignalGenerator):
        return None
    near_db, far_db = named[1].phase_noise_db, named[1].far_noise_db
    if near_db is None or far_db is None:
        return None
    near, far = 10.0 ** (near_db / 10.0), 10.0 ** (far_db / 10.0)
    return float(FILTER_HZ * (near * (NEAR_HZ / offset_hz) ** 2 + far))


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """By how much both generators' stated noise may put the ratio of a product too high, dB, and who states none."""

    db: float
    unstated: tuple[str, ...]

    @property
    def is_bound(self) -> bool:
        """Say whether that is too much to be a contribution."""
        return self.db > HIDES_DB

    @property
    def off_db(self) -> float:
        """What is taken off the ratio, dB."""
        return self.db if self.is_bound else self.db / 2.0

    def said(self, *, passes: bool) -> str:
        """Return what is said of it in words; of noise that nobody states only where the unit ``passes``, which it may make it do."""
        if self.is_bound:
            return f"the generators' own noise may hide part of the product, {self.db:.1f} dB of the ratio, which are taken off"
        if not self.unstated or not passes:
            return ""
        whose = " and ".join(self.unstated)
        return f"the noise of {whose} is not stated ('phase_noise' and 'far_noise'): it may hide part of the product"


def hidden_by_noise(
    conditions: Conditions,
    offsets_hz: Mapping[str, float],
    *,
    level_dbm: float,
    heard_dbm: float,
    target_db: float,
) -> Hidden:
    """Return what both generators' noise hides of a product heard with each at ``level_dbm``, so far from the channel as its role says.

    ``heard_dbm`` is the sensitivity: what on the channel alone gives ``target_db`` too.
    """
    shares = {role: _share(conditions, role, offset_hz) for role, offset_hz in offsets_hz.items()}
    noise = sum(one for one in shares.values() if one is not None)
    own_below_db = max(ON_CHANNEL_DB, target_db) - ROOM_ABOVE_DB
    beside_own = noise * 10.0 ** ((level_dbm - heard_dbm + own_below_db) / 10.0)
    named = [find_entry(conditions.bench, role) for role, one in shares.items() if one is None]
    return Hidden(
        db=10.0 * math.log10(1.0 + beside_own) / PRODUCT_ORDER,
        unstated=tuple(one[0] for one in named if one is not None),
    )
