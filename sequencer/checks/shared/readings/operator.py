"""What a search does differently where a person sets the level or takes the readings: few of them, and an answer that can be taken back."""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from typing import TypeVar

from drivers.operator.prompt import TakenBack, answers_may_be_taken_back
from sequencer.checks.finding import Conditions
from sequencer.inputs.bench_parts.instrument_drivers import OperatorVoltmeter
from sequencer.results.model import Point
from sequencer.search.curve import READING_S
from sequencer.search.protocol import AsDone, Ask, Search, find_crossing, tell

HAND_BUDGET = 15
"""The most readings a person is asked for in one search."""
HAND_ACCURACY_DB = 1.0
"""How far a search by hand goes unless its accuracy is stated: finer is seldom worth a person's time. Workshop's own."""
LOOK_S = 0.5
"""How long a person looks at a needle: what the search counts one reading as. Workshop's own."""

Reading_ = TypeVar("Reading_")
Found_ = TypeVar("Found_")


def is_read_by_hand(conditions: Conditions, reader: str) -> bool:
    """Say whether a person reads the instrument in the role ``reader``."""
    entry = conditions.bench.with_role(reader)
    return entry is not None and entry[1].manual


def is_by_hand(conditions: Conditions, reader: str) -> bool:
    """Say whether a person reads ``reader`` or turns the generator."""
    return is_read_by_hand(conditions, reader) or is_read_by_hand(conditions, "signal_generator")


def reading_times(conditions: Conditions, reader: str) -> Sequence[float] | float:
    """Return the reading times a search may choose from; one for a person, who looks as long as it takes."""
    return LOOK_S if is_read_by_hand(conditions, reader) else READING_S


def accuracy_db(asked_db: float, *, is_stated: bool, conditions: Conditions, reader: str) -> float:
    """Return the accuracy to search to: what the sequence states, else by hand no finer than `HAND_ACCURACY_DB`."""
    if is_stated or not is_by_hand(conditions, reader):
        return asked_db
    return max(asked_db, HAND_ACCURACY_DB)


def reading_budget(conditions: Conditions, reader: str, otherwise: int) -> int:
    """Return how many readings a search may take."""
    return HAND_BUDGET if is_by_hand(conditions, reader) else otherwise


def dial_half_width_v(conditions: Conditions) -> float:
    """Return how far a person who reads a signal meter's scale may be off, V: half an S-unit; 0 where a voltage is read.

    Measured on the simulated bench: who reads to half an S-unit and 5 dB is off by less. Who rounds to whole S-units and 10 dB may be 11 dB
    off, and no search can see that.
    """
    entry = conditions.bench.with_role("voltmeter")
    meter = entry[1] if entry is not None else None
    if not isinstance(meter, OperatorVoltmeter) or meter.dial != "S units" or meter.s9_v is None:
        return 0.0
    return 0.5 * abs(meter.s_unit_v or meter.s9_v / 9.0)


def find_with_person(
    search: Search[Reading_, Found_],
    measure: Callable[[Ask], Reading_ | AsDone[Reading_]],
    points: list[Point],
    conditions: Conditions,
    reader: str,
) -> Found_:
    """Do what `find_crossing` does; where a person answers, "back" takes the previous answer back and asks for it again."""
    if not is_by_hand(conditions, reader):
        return find_crossing(search, measure)
    before: list[Search[Reading_, Found_]] = []
    with answers_may_be_taken_back():
        while (ask := search.ask) is not None:
            try:
                reading = measure(ask)
            except TakenBack:
                conditions.say("taken back" if before else "there is no earlier answer in this search")
                if before:
                    search = before.pop()
                    points.pop()
                continue
            before.append(copy.deepcopy(search))
            tell(search, reading)
    return search.result
