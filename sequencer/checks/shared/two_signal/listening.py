"""Where the unit can listen for a second generator: on the plan's channels, where the bench sets them."""

from collections.abc import Sequence

from sequencer.checks.finding import Conditions
from sequencer.checks.shared.level_search.signal_proof import apart_hz
from sequencer.frozen import dataclass

PLACE_S = 0.62  # a channel set, and one reading there: measured on the simulated bench
NEAR_SHARE = 0.05  # of the channel's frequency: farther away the path loses otherwise, and so may the unit
SAME_CHANNEL = 0.02  # of the channels' spacing: so near, a place and a channel are one


@dataclass(frozen=True, slots=True, kw_only=True)
class ListeningPlace:
    """A channel of the plan, how far it lies from the unit's own, Hz, and within how much a place is taken for it."""

    channel: int
    offset_hz: float
    within_hz: float

    def is_at(self, offset_hz: float) -> bool:
        """Say whether a place is on this channel."""
        return abs(self.offset_hz - offset_hz) <= self.within_hz


def listening_places(
    conditions: Conditions, offsets_hz: Sequence[float]
) -> dict[ListeningPlace, list[float]]:
    """Return the channels that lie nearest to the offsets, on their side of the unit's own, and which offsets each stands for.

    None where the bench does not set the unit's channel, or where no other channel lies on that side, nor too far away.
    """
    radio, plan = conditions.bench.with_role("radio"), conditions.plan
    if radio is None or radio[1].manual or plan is None or conditions.channel is None:
        return {}
    spacing_hz, reach_hz = apart_hz(conditions), NEAR_SHARE * conditions.carrier_hz
    apart = {one: at_hz - conditions.carrier_hz for one, at_hz in plan.frequencies_hz.items()}
    others = {one: at_hz for one, at_hz in apart.items() if spacing_hz / 2.0 <= abs(at_hz) <= reach_hz}
    places = dict[ListeningPlace, list[float]]()
    for offset_hz in offsets_hz:
        on_side = {one: at_hz for one, at_hz in others.items() if at_hz * offset_hz > 0}
        if on_side:
            nearest = min(on_side, key=lambda one: (abs(on_side[one] - offset_hz), one))
            place = ListeningPlace(
                channel=nearest, offset_hz=on_side[nearest], within_hz=SAME_CHANNEL * spacing_hz
            )
            places.setdefault(place, []).append(offset_hz)
    return places


def places_proof_s(conditions: Conditions, offsets_hz: Sequence[float]) -> float:
    """Return about how long a second generator is heard at offsets, s: a reading on each channel, or one near the unit's own."""
    beside_hz = tuple(one for one in offsets_hz if one)
    return PLACE_S * (len(listening_places(conditions, beside_hz)) or bool(beside_hz))
