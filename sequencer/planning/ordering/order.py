"""The quickest order of a plan's steps for which it is proved that the order does not matter.

A key-down of T owes a rest (`key_duty`), in which the bench stands idle unless there is something to do on the receive side. Two kinds
of moves are tried: receive-side steps go into long rests, and transmit-side steps past each other, so that the longest key-down comes
where its rest is filled, or owed to nobody.

What stays: a confirmation, an entered reading, a loss measured, a step in which a person sets, reads or connects something, and a check
that does not say what its results depend on (`Check.depends_on`). Nothing passes those. Receive-side steps keep their order.

What is proved, for each step that depends on the unit's state, from the times at which both orders make it:

- its output stage is as warm, to `STAGE_WITHIN` of the rise of a unit that is keyed without end, whatever its time constant;
- its reference has run in as far, to `REFERENCE_WITHIN` of all that it runs in by after it was fed.

An order in which one step fails that is not taken. The steps' numbers are those of the file throughout.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import product

from sequencer.checks.unit.confirm import Confirm
from sequencer.inputs.bench import BenchFile
from sequencer.planning.ordering.arranged import Arranged, Stays
from sequencer.planning.ordering.rests import Duty, Timed, timeline
from sequencer.planning.ordering.sharing import shared
from sequencer.planning.proving.proof import SIDE_ROLES, UNIT_SIDES
from sequencer.planning.step import Step

STAGE_CONSTANTS_S = (10.0, 30.0, 100.0)
"""In what times an output stage warms and cools: from a transistor on a small plate to one on the cabinet. Common practice, no source."""
STAGE_WITHIN = 0.1
"""How far two orders may leave the stage apart, of its whole rise: a tenth of a sag of 1 dB is a third of a power meter's usual 5 %."""
REFERENCE_CONSTANTS_S = (60.0, 120.0, 300.0)
"""In what times a crystal without an oven runs in after it was fed. Common practice, no source."""
REFERENCE_WITHIN = 0.03
"""How far two orders may leave the reference apart, of all that it runs in by: of 1 ppm that is 0.03 ppm, 1 Hz at 27 MHz."""
WARMS_S = 2.0
"""A key-down as long as this warms the stage: what depends on that does not pass it. Shorter ones are left to the proof."""
WORTH_S = (2.0, 5.0, 10.0, 20.0)
"""From what rest on a change of sides is tried: two of them take some tenths of a second."""
GAIN_S = 0.5
"""What an order must save, s, to be taken in place of the file's."""

_Ready = Callable[[Step, Sequence[Step]], bool]


def quickest(
    steps: Sequence[Step], bench: BenchFile, duty: Duty, *, began_s: float = 0.0, share_key: bool = True
) -> tuple[tuple[Step, ...], Arranged]:
    """Return ``steps`` in the quickest order that is proved, with their forecasts, and what is to be said of that.

    ``began_s``: how long the unit has been fed when the first begins. ``share_key``: steps may be made in one key-down.
    """

    def joined(order: Sequence[Step]) -> Sequence[Step]:
        return shared(order, bench, duty) if share_key else order

    fixed = {step.index: why for step in steps if (why := why_fixed(step, bench))}
    written = list(timeline(steps, duty, began_s=began_s))
    best = as_written = list(
        timeline(joined_as_written(steps, bench, duty) if share_key else steps, duty, began_s=began_s)
    )
    for order in _orders(steps, fixed, duty):
        found = list(timeline(joined(order), duty, began_s=began_s))
        gain_s = GAIN_S if best is as_written else 0.0
        if _whole_s(found) < _whole_s(best) - gain_s and not unlike(written, found):
            best = found
    in_order = tuple(one.timed_step for one in best)
    return in_order, Arranged(
        order=tuple(step.index for step in in_order),
        moved=_moved(in_order, {step.index: at for at, step in enumerate(steps)}),
        stays=tuple(_stays(steps, fixed)),
        written_s=began_s + sum(one.forecast_s + one.step.person_s for one in written),
    )


def joined_as_written(steps: Sequence[Step], bench: BenchFile, duty: Duty) -> Sequence[Step]:
    """Return the steps with the key-downs that they share, in the order given; without those in which one would meet another unit."""
    apart = list(timeline(steps, duty))
    found = shared(steps, bench, duty)
    while unlike_ones := {step.index for step in unlike(apart, list(timeline(found, duty)))}:
        groups = {step.shares for step in found if step.index in unlike_ones} - {None}
        if not groups:
            return steps
        found = [replace(step, shares=None) if step.shares in groups else step for step in found]
    return found


def why_fixed(step: Step, bench: BenchFile) -> str:
    """Return why nothing may be moved past the step; empty for one that can be passed."""
    if isinstance(step.check, Confirm):
        return "a person sets something"
    if step.side not in UNIT_SIDES:
        return "it is not measured on the unit by itself"
    if step.check.moves_cables(step.settings):
        return "a person moves cables"
    roles = SIDE_ROLES[step.side] | step.check.roles_of(step.settings)
    if by_hand := [name for name, one in bench.instruments.items() if one.manual and one.role in roles]:
        return f"a person works {' and '.join(by_hand)}"
    if step.point is not None and step.point.suffix:
        return "it is measured at a supply or a temperature of its own"
    if step.check.depends_on is None:
        return "the check does not say what its results depend on"
    return ""


def unlike(written: Sequence[Timed], found: Sequence[Timed]) -> list[Step]:
    """Return the steps that the order ``found`` would make on a unit in another state than ``written`` does."""
    before, after = dict(_states(written)), dict(_states(found))
    return [
        one.step
        for one in written
        if any(
            abs(then - now) > within
            for (then, within), (now, _) in zip(before[one.step.index], after[one.step.index], strict=True)
        )
    ]


def _states(steps: Sequence[Timed]) -> Iterator[tuple[int, list[tuple[float, float]]]]:
    """Yield each step's number and the unit's state when it is done: as shares of a whole, each with what it may differ by."""
    warmth = dict.fromkeys(STAGE_CONSTANTS_S, 0.0)
    for one in steps:
        depends_on = one.step.check.depends_on or frozenset()
        states: list[tuple[float, float]] = []
        keyed = min(1.0, one.step.timing.keyed_s / one.lasts_s) if one.lasts_s > 0.0 else 0.0
        for constant_s, warm in warmth.items():
            rested = warm * math.exp(-one.rest_s / constant_s)
            warmth[constant_s] = keyed + (rested - keyed) * math.exp(-one.lasts_s / constant_s)
        if "stage" in depends_on:
            states += [(warm, STAGE_WITHIN) for warm in warmth.values()]
        if "reference" in depends_on:
            reads_s = one.began_s + one.rest_s
            states += [(math.exp(-reads_s / each_s), REFERENCE_WITHIN) for each_s in REFERENCE_CONSTANTS_S]
        yield one.step.index, states


def _orders(steps: Sequence[Step], fixed: dict[int, str], duty: Duty) -> Iterator[list[Step]]:
    """Yield orders worth a look: first those that move receive-side steps alone."""
    for may_pass, worth_s in product((_in_turn, _unhindered), WORTH_S):
        order: list[Step] = []
        segment: list[Step] = []
        for step in steps:
            if step.index in fixed:
                order += [*_filled(segment, may_pass, worth_s, duty), step]
                segment = []
            else:
                segment.append(step)
        yield [*order, *_filled(segment, may_pass, worth_s, duty)]


def _filled(segment: Sequence[Step], ready: _Ready, worth_s: float, duty: Duty) -> Iterator[Step]:
    """Yield the steps of a segment: a receive-side one wherever a rest of ``worth_s`` is owed, else the next that may transmit."""
    receive = [step for step in segment if step.side == "receive"]
    transmit = [step for step in segment if step.side != "receive"]
    owed_s = 0.0
    while receive or transmit:
        if receive and (owed_s >= worth_s or not transmit):
            step = receive.pop(0)
        else:
            may = [one for at, one in enumerate(transmit) if ready(one, transmit[:at])]
            step = _next(may, transmit)
            transmit.remove(step)
        yield step
        (one,) = timeline([step], duty)
        owed_s = one.owed_s if step.timing.keyed_s > 0.0 else max(0.0, owed_s - step.timing.check_s)


def _next(may: Sequence[Step], transmit: Sequence[Step]) -> Step:
    """Return which of those that may transmit does: one that warms nothing, last of those what can share the next warm-up's key-down."""
    warm_up = next((one.conditions for one in transmit if _warms(one)), None)

    def rank(step: Step) -> tuple[bool, bool]:
        here = step.conditions
        return _warms(step), warm_up is not None and (here.channel, here.mode) == (
            warm_up.channel,
            warm_up.mode,
        )

    return min(may, key=rank)  # the first in the file of those that are alike


def _in_turn(step: Step, before: Sequence[Step]) -> bool:
    """Say whether a step may transmit where no other has its turn before it."""
    return not before


def _unhindered(step: Step, before: Sequence[Step]) -> bool:
    """Say whether a step may pass all that stand before it: neither warms what the other depends on."""
    return not any(
        (_warms(one) and step.check.depends_on) or (_warms(step) and one.check.depends_on) for one in before
    )


def _warms(step: Step) -> bool:
    return step.timing.keyed_s >= WARMS_S


def _whole_s(steps: Sequence[Timed]) -> float:
    return sum(one.forecast_s for one in steps)


def _moved(steps: Sequence[Step], written: dict[int, int]) -> tuple[Step, ...]:
    """Return the fewest steps whose moving gives this order: all but the longest run of rising places in ``written``."""
    ends: list[int] = []  # the lowest place that a rising run of each length ends with
    longest: list[tuple[Step, int]] = []  # each step with the longest rising run that it ends
    for step in steps:
        at = bisect_left(ends, written[step.index])
        ends[at : at + 1] = [written[step.index]]
        longest.append((step, at + 1))
    stand: set[int] = set()
    wanted = len(ends)
    for step, length in reversed(longest):
        if length == wanted:
            stand.add(step.index)
            wanted -= 1
    return tuple(step for step in steps if step.index not in stand)


def _stays(steps: Sequence[Step], fixed: dict[int, str]) -> Iterator[Stays]:
    """Yield what stays where it is: what nothing passes, and what warms the stage before or after something that depends on it."""
    for step in steps:
        if step.index in fixed:
            yield Stays(step=step, why=fixed[step.index], is_passed=False)
        elif _warms(step) and any(
            other is not step and other.check.depends_on and other.index not in fixed for other in steps
        ):
            why = f"it transmits for {step.timing.keyed_s:.0f} s"
            yield Stays(step=step, why=why, is_passed=True)
