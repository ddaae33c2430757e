"""Whether radio and analyser went where they say in a sweep: a carrier that is missed, or is elsewhere, is the unit's only then.

Both confirm what they are told by their own word. One that stands still looks like a unit that radiates on the wrong channel. So two
channels are gone to once more, and the carrier must be counted as far apart as they are; and tuned to a channel that was missed, the
analyser must lose the carrier of another: one that has not moved still counts it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from drivers.faults import InstrumentFault
from sequencer.checks.finding import Finding
from sequencer.frozen import dataclass
from sequencer.safety.transmit import TransmitSide

NEAR_SHARE = 0.25  # of the distance of two channels, that the carrier's step may be off; an error of the unit's reference moves both
SAME_HZ = (
    200.0  # a carrier that has not moved is counted this near: more than it drifts, far less than a channel
)

STAND = "nothing shows that radio, PTT, power meter and modulation analyser do what they say"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """A channel, where its carrier should be and where it was counted, Hz; ``is_seen``: the power meter saw it too."""

    channel: int
    carrier_hz: float
    counted_hz: float | None = None
    is_seen: bool = False


def is_doubted(findings: Sequence[Finding]) -> bool:
    """Say whether power or carrier of a channel was missed without a fault, or lies outside its limits."""
    return any(
        one.unit in ("W", "Hz") and one.fault is None and (one.value is None or one.counts_against_unit)
        for one in findings
    )


def looked_again_after(findings: Sequence[Finding]) -> str:
    """Return why a channel was read once more."""
    off = next(one for one in findings if is_doubted([one]))
    found = off.note if off.value is None else f"{off.quantity} {off.value:.4g} {off.unit}"
    return f"measured again, because at first: {found}"


def why_not_followed(
    side: TransmitSide, places: Sequence[Stand], missed_hz: Sequence[float], *, of_one: bool = False
) -> str:
    """Go to the first two channels of ``places`` and count the carrier; return what shows that something stands still, empty for nothing.

    ``missed_hz`` are the frequencies at which no carrier was counted. ``of_one``: the plan has a single channel, so that nothing can be
    seen to move; the carrier must be seen on it.
    """
    unlike: dict[int, Stand] = {}
    for one in places:
        unlike.setdefault(one.channel, one)
    two = [*unlike.values()][: 1 if of_one else 2]
    counted = [_counted_hz(side, one, one.carrier_hz) for one in two]
    names = " and ".join(str(one.channel) for one in two)
    for one, hz in zip(two, counted, strict=True):
        if hz is None:
            return f"no carrier is seen on channel {one.channel} by now: {STAND}"
    if not of_one and not _is_step(two, counted):
        shown = " and ".join(f"{hz / 1e6:.5f} MHz" for hz in counted if hz is not None)
        return f"on channels {names} the carrier is counted at {shown} by now: {STAND}"
    return _why_not_tuned(side, [one for one in unlike.values() if one.counted_hz is not None], missed_hz)


def _why_not_tuned(side: TransmitSide, seen: Sequence[Stand], missed_hz: Sequence[float]) -> str:
    """Return what shows that the analyser has not left the channel that it counted last (the first of ``seen``); empty for nothing."""
    if not (seen and missed_hz):
        return ""
    one = seen[0]  # the last one that it saw: where it stands, if it stands still
    at_hz = max(missed_hz, key=lambda missed: abs(missed - one.carrier_hz))
    try:
        if _counted_hz(side, one, at_hz, raises=True) is None:
            return ""
    except InstrumentFault:
        pass  # also a count that cannot be of the channel it is tuned to
    return (
        f"tuned to {at_hz / 1e6:.5f} MHz, the modulation analyser still counts the carrier of channel {one.channel}: it does not tell "
        "a carrier that is missing there from a tuning that stands still"
    )


def judged(findings: Sequence[Finding], why: str) -> list[Finding]:
    """Return the findings of a channel that is doubted: the unit's own where all is seen to follow, else, with ``why``, without numbers."""
    if not why:
        return [replace(one, on_unit=one.value is None and one.fault is None) for one in findings]
    return [one if one.fault is not None else _undecided(one, why) for one in findings]


def sees_power(side: TransmitSide, seen: Stand) -> bool:
    """Say whether the power meter still gives a number on the channel where it gave one."""
    try:
        side.select(seen.channel, seen.carrier_hz)
        return side.read_power_dbm().number is not None
    except InstrumentFault:
        return False
    finally:
        side.rest()


def _undecided(finding: Finding, why: str) -> Finding:
    found = finding.note if finding.value is None else f"found {finding.value:.5g} {finding.unit}"
    return replace(
        finding, value=None, budget=None, on_unit=False, note="; ".join(filter(None, (found, why)))
    )


def _counted_hz(side: TransmitSide, place: Stand, tuned_hz: float, *, raises: bool = False) -> float | None:
    """Return where the carrier of a channel is counted, with the power meter seeing it, Hz; None where one of both gives no number."""
    try:
        side.select(place.channel, tuned_hz)
        power, frequency = side.read_power_dbm(), side.read_frequency_hz()
    except InstrumentFault:
        if raises:
            raise
        return None
    finally:
        side.rest()
    return None if power.number is None else frequency.number


def _is_step(two: Sequence[Stand], counted: Sequence[float | None]) -> bool:
    (first, second), (first_hz, second_hz) = two, counted
    if first_hz is None or second_hz is None:
        return False
    asked_hz = second.carrier_hz - first.carrier_hz
    return abs((second_hz - first_hz) - asked_hz) <= NEAR_SHARE * abs(asked_hz)
