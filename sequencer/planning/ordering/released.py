"""How often a person is asked for a reading with PTT released, which proves a dial that is read on the transmit side."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from sequencer.checks.people import ANSWER_S, by_hand
from sequencer.planning.step import Step

READ_RELEASED = ("power_meter", "modulation_analyser")
"""In the order in which one of them is asked for; see `sequencer.safety.guard`."""


def with_readings_released(steps: Iterable[Step]) -> Iterator[Step]:
    """Yield the steps with those answers in their forecasts: one a transmit side, none for a dial shown since a move."""
    shown: set[str] = set()
    for step in steps:
        if step.side in ("receive", "loss"):
            shown.clear()
        asked = next((one for one in _read_by_hand(step) if one not in shown), None)
        if asked is None:
            yield step
        else:
            shown.add(asked)
            yield replace(step, forecast_s=step.forecast_s + ANSWER_S, person_s=step.person_s + ANSWER_S)


def _read_by_hand(step: Step) -> Iterator[str]:
    if step.side == "transmit":
        for role in READ_RELEASED:
            if role in step.check.roles_of(step.settings) and by_hand(step.conditions, role):
                yield role
