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
from sequencer.planning.rests import Duty, added_s
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
    where = [
        (one.side, one.conditions.channel, one.conditions.mode, one.conditions.frequency_hz) for one in group
    ]
    held = {(one.conditions.supply_v, one.conditions.temperature_c) for one in (before, step)}
    if step.side != "transmit" or where[-2] != where[-1] or where[-1][1] is None or len(held) > 1:
        return False
    if not before.check.may_leave_key(before.settings) or not step.check.may_join_key(step.settings):
        return False
    if any(_read_by_hand(one, bench) for one in group):
        return False
    holds = any(one.check.hold_s(one.settings) > 0.0 for one in group)
    if holds and (where[-1][2] != "FM" or _is_keyed_by_hand(bench)):
        return False
    down_s = keyed_before_s = 0.0
    for one in group:
        keyed_before_s, down_s = down_s, down_s + added_s(one, down_s)
    if LONGER * keyed_before_s > duty.joinable_s:
        return False
    # a hold that the others fit into lasts no longer for them: its own check has proved that there is room for it
    return down_s <= duty.unbroken_s or 0.0 < keyed_before_s <= step.check.hold_s(step.settings)


def _named(group: Sequence[Step]) -> list[Step]:
    return [replace(one, shares=group[0].index) for one in group] if len(group) > 1 else list(group)


def _is_keyed_by_hand(bench: BenchFile) -> bool:
    radio = bench.with_role("radio")
    return radio is not None and radio[1].manual


def _read_by_hand(step: Step, bench: BenchFile) -> bool:
    roles = step.check.roles_of(step.settings)
    return any(one.manual and one.role in roles for one in bench.instruments.values())
