"""What a sweep finds on a channel outside the plan: refused, silent, or radiating."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from drivers.faults import InstrumentError, InstrumentFault, LinkFault, NotSettled, UnexpectedReply
from drivers.roles import RangeState, Reading
from sequencer.bench.further import Noting
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.readings.after_fault import again_after
from sequencer.checks.shared.readings.settle import read_pair
from sequencer.checks.shared.transmit.keyed_readings import SETTLED_DB, numbers, power_finding, with_note
from sequencer.checks.shared.transmit.sweep_proof import SAME_HZ, Stand, sees_power
from sequencer.results.model import FaultFacts
from sequencer.safety.control.channel import ChannelRefused
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.decision import Limits
from sequencer.units.convert import dbm_from_w

ACCEPTED = Limits(lower=1.0)  # of a fact that is 1 where it is so
QUANTITY = "radiated outside the plan"


def look_outside(
    side: TransmitSide, channel: int, above_w: float, conditions: Conditions, seen: Stand | None
) -> Finding:
    """Ask for a channel outside the plan; refused, or silent, is right. ``above_w`` is what counts as radiating, W.

    Either is a fact of its own, and no power of 0 W, which nobody has read. Only the unit's own channel proves a refusal: see
    `sequencer.safety.control.channel`. ``seen`` is the last channel on which power meter and analyser saw the unit: silence counts only
    where they see it there once more, and a carrier that stays there is none outside the plan.
    """
    limits = Limits(upper=above_w)
    lost = Finding(quantity=QUANTITY, value=None, unit="W", limits=limits)
    try:
        return _looked_twice(side, channel, limits, conditions, lost, seen)
    except ChannelRefused as refused:
        return Finding(
            quantity="refused outside the plan",
            value=1.0,
            unit="",
            exact=True,
            limits=ACCEPTED,
            note=refused.what,
        )
    except InstrumentFault as fault:
        side.rest()
        if conditions.repeat(fault):
            again = look_outside(side, channel, above_w, conditions, seen)
            return with_note(again, again_after(fault))
        if isinstance(fault, InstrumentError | LinkFault | NotSettled | UnexpectedReply):
            return replace(lost, note=str(fault), fault=FaultFacts.of(fault))
        raise


def _looked_twice(
    side: TransmitSide,
    channel: int,
    limits: Limits,
    conditions: Conditions,
    lost: Finding,
    seen: Stand | None,
) -> Finding:
    """Look once more where nothing was found: a radio may have missed what it was told."""
    found = _looked(side, channel, limits, conditions, lost, seen)
    if found.value is not None:
        return found
    again = _looked(side, channel, limits, conditions, lost, seen)
    return again if again.value is None else with_note(again, f"taken again, because at first: {found.note}")


def _looked(
    side: TransmitSide,
    channel: int,
    limits: Limits,
    conditions: Conditions,
    lost: Finding,
    seen: Stand | None,
) -> Finding:
    assert conditions.plan is not None
    at_hz = seen.carrier_hz if seen is not None else conditions.plan.frequency_hz(conditions.plan.channels[0])
    side.select(channel, at_hz)
    taking = Noting(conditions.further)
    readings = read_pair(side.read_power_dbm, within=SETTLED_DB, limits=in_dbm(limits), further=taking)
    is_silent = all(reading.state is RangeState.UNDER_RANGE for reading in readings)
    stays = "" if is_silent else _stays(side, channel, readings, limits, seen)
    side.rest()
    if stays:
        return replace(lost, note=stays)
    if not is_silent:
        return power_finding(QUANTITY, readings, limits, conditions).noted(*taking.notes)
    if seen is None:
        return replace(
            lost, note="power meter: under range, and it has seen no power of this unit on any channel"
        )
    if not sees_power(side, seen):
        return replace(
            lost,
            note=f"power meter: under range, and so it is on channel {seen.channel} by now, where the unit was seen: unit, PTT or meter "
            "does not respond any more",
        )
    return Finding(
        quantity="silent outside the plan",
        value=1.0,
        unit="",
        exact=True,
        limits=ACCEPTED,
        note="the unit takes the channel; with PTT pressed the power meter reads under range",
    )


def _stays(
    side: TransmitSide, channel: int, readings: Sequence[Reading], limits: Limits, seen: Stand | None
) -> str:
    """Return why a power says nothing of a channel outside the plan: its carrier is where it was before. Empty where it is not."""
    powers_dbm = numbers(readings)
    highest_dbm = in_dbm(limits).upper
    if seen is None or powers_dbm is None or highest_dbm is None or max(powers_dbm) <= highest_dbm:
        return ""
    counted_hz = side.read_frequency_hz().number
    if counted_hz is None or seen.counted_hz is None or abs(counted_hz - seen.counted_hz) > SAME_HZ:
        return ""
    return (
        f"the radio reads channel {channel}, and its carrier stays at {counted_hz / 1e6:.5f} MHz, where it was on channel {seen.channel}: "
        "it was not seen to leave that"
    )


def in_dbm(limits: Limits) -> Limits:
    """Return limits of a power, W, in dBm; one of nothing at all is none."""
    lower, upper = (
        None if limit_w is None or limit_w <= 0.0 else dbm_from_w(limit_w)
        for limit_w in (limits.lower, limits.upper)
    )
    return Limits(lower=lower, upper=upper)
