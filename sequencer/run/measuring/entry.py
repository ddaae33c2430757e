"""Enters the transmit side for a check, on its channel or on the first that the unit takes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

from sequencer.checks.finding import Conditions
from sequencer.planning.step import Step
from sequencer.safety.bench import SafeBench
from sequencer.safety.control.channel import ChannelRefused
from sequencer.safety.proofs.plausible import UnitFacts
from sequencer.safety.transmit import TransmitSide


@contextmanager
def transmit_side(
    safe: SafeBench, step: Step, conditions: Conditions, *, unit: UnitFacts
) -> Iterator[TransmitSide]:
    """Hand over the transmit side. Raises ChannelRefused of the first channel where the unit takes none of those that would do.

    A sweep goes to every channel by itself, so that one which is refused at its start costs the others nothing.
    """
    with ExitStack() as entered:
        yield _entered(entered, safe, step, conditions, unit)


def _entered(
    entered: ExitStack, safe: SafeBench, step: Step, conditions: Conditions, unit: UnitFacts
) -> TransmitSide:
    first: ChannelRefused | None = None
    for channel, frequency_hz in _starts(step, conditions):
        try:
            return entered.enter_context(
                safe.transmit_side(
                    channel=channel,
                    mode=conditions.mode,
                    frequency_hz=frequency_hz,
                    roles=step.check.roles_of(step.settings),
                    unit=unit,
                )
            )
        except ChannelRefused as refused:
            first = first or refused
    assert first is not None  # there is always a first start
    raise first


def _starts(step: Step, conditions: Conditions) -> Iterator[tuple[int | None, float]]:
    yield conditions.channel, conditions.carrier_hz
    if (plan := conditions.plan) is not None:
        for channel in step.check.other_starts(step.settings, conditions):
            yield channel, plan.frequency_hz(channel)


def where_of(conditions: Conditions) -> dict[str, Any]:
    """Return where a side is entered."""
    return {
        "channel": conditions.channel,
        "mode": conditions.mode,
        "frequency_hz": conditions.carrier_hz,
    }


@contextmanager
def under_conditions(safe: SafeBench, conditions: Conditions, *, check: Callable[[], None]) -> Iterator[None]:
    """Measure with the unit fed as the step states it, and at its temperature, which is read again afterwards. ``check`` may raise."""
    if conditions.supply_v is not None:
        safe.hold_supply(conditions.supply_v)
    if conditions.temperature_c is not None:
        safe.bring_to_temperature(conditions.temperature_c, check=check, say=conditions.say)
    yield
    if conditions.temperature_c is not None:
        safe.confirm_temperature(conditions.temperature_c)
