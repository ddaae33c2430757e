"""Which transmit-side steps are made in one key-down.

Steps that follow each other, on one channel and in one mode, whose checks say that they read keyed alone (`Check.may_join_key`), and
that fit together into a key-down with room for a release. A check that transmits for a time before it reads (`keyed_for`) counts that
time from the beginning of the key-down, in FM alone: there the carrier, and so the heat, is the same with modulation and without.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby

from sequencer.inputs.bench import BenchFile
from sequencer.planning.ordering.rests import Duty, added_s
from sequencer.planning.step import Step

LONGER = 1.3
"""How much longer than forecast the checks before may take, so that another still finds room: forecasts hold to a fifth of a run."""


def shared(steps: Iterable[Step], bench: BenchFile, duty: Duty) -> list[Step]:
    """Return the steps, each with the key-down that it shares; what people read is left alone: they are asked for a reading at a time."""
    found: list[Step] = []
    group: list[Step] = []
    for step in (replace(step, shares=None) for step in steps):
        if group and not _fits([*group, step], bench, duty):
            found += _named(group)
            group = []
        group.append(step)
    return [*found, *_named(group)]


def parts(steps: Iterable[Step]) -> Iterator[tuple[Step, ...]]:
    """Yield the steps that are made together, each of the others by itself."""
    for shares, group in groupby(steps, key=lambda step: step.shares):
        if shares is None:
            yield from ((step,) for step in group)
        else:
            yield tuple(group)


def _fits(group: Sequence[Step], bench: BenchFile, duty: Duty) -> bool:
    """Say whether the last step may be made in the key-down of those before it."""
    before, step = group[-2], group[-1]
    return (
        step.side == "transmit"
        and step.conditions.channel is not None
        and _measured_at(before) == _measured_at(step)
        and before.check.may_leave_key(before.settings)
        and step.check.may_join_key(step.settings)
        and not any(_read_by_hand(one, bench) for one in group)
        and (not any(map(_held_s, group)) or (step.conditions.mode == "FM" and not _is_keyed_by_hand(bench)))
        and _has_room(group, duty)
    )


def _measured_at(step: Step) -> tuple[object, ...]:
    """Return where and under what a step is measured: what shares a key-down has all of it in common."""
    at = step.conditions
    return step.side, at.channel, at.mode, at.frequency_hz, at.supply_v, at.temperature_c


def _held_s(step: Step) -> float:
    return step.check.hold_s(step.settings)


def _has_room(group: Sequence[Step], duty: Duty) -> bool:
    """Say whether a key-down has room for the last step behind the others, and for a release."""
    down_s = keyed_before_s = 0.0
    for one in group:
        keyed_before_s, down_s = down_s, down_s + added_s(one, down_s)
    # a hold that the others fit into lasts no longer for them: its own check has proved that there is room for it
    fits = down_s <= duty.unbroken_s or 0.0 < keyed_before_s <= _held_s(group[-1])
    return fits and LONGER * keyed_before_s <= duty.joinable_s


def _named(group: Sequence[Step]) -> list[Step]:
    return [replace(one, shares=group[0].index) for one in group] if len(group) > 1 else list(group)


def _is_keyed_by_hand(bench: BenchFile) -> bool:
    radio = bench.with_role("radio")
    return radio is not None and radio[1].manual


def _read_by_hand(step: Step, bench: BenchFile) -> bool:
    roles = step.check.roles_of(step.settings)
    return any(one.manual and one.role in roles for one in bench.instruments.values())
