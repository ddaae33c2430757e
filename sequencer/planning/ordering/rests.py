"""The rests that a bench's key duty owes, forecast for steps in the order in which they are made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Self

from sequencer.frozen import dataclass
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.proving.proof import longest_s
from sequencer.planning.step import Step
from sequencer.safety.bench import SET_BACK_ANSWERS

SET_BACK = ("audio_analyser", "power_meter", "modulation_analyser", "spectrum_analyser")


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """What a bench's `protection` makes of keying: a rest of ``rest_per_key_s`` after each second, ``unbroken_s`` keyed at most at once.

    For ``joinable_s`` a key-down has room for setting back what a further check in it reads by, however slow; 0 or less: for none.
    """

    rest_per_key_s: float
    unbroken_s: float
    joinable_s: float

    @classmethod
    def of(cls, bench: LoadedBench, roles: frozenset[str]) -> Self:
        """Return the duty of ``bench``, where ``roles`` are set or read while the unit is keyed."""
        protection = bench.bench.protection
        step_s, release_s = longest_s(bench, roles)
        # the key is released in time for one more step and a release, however slow, to end inside the limit
        return cls(
            rest_per_key_s=100.0 / protection.key_duty_percent - 1.0,
            unbroken_s=max(0.5, protection.max_key_time_s - step_s - release_s),
            joinable_s=protection.max_key_time_s - release_s - SET_BACK_ANSWERS * _slowest_s(bench),
        )


def _slowest_s(bench: LoadedBench) -> float:
    """Return how long an answer of what is set back between two checks may take, s, the wait before it included."""
    instruments = bench.bench.instruments.values()
    return max((one.timeout_s + one.settling_s for one in instruments if one.role in SET_BACK), default=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timed:
    """A step at its time: it begins ``began_s`` after the first, rests ``rest_s`` before it keys, and then takes ``lasts_s``.

    ``owed_s`` is the rest that it leaves behind for whatever keys next. All in s, on the bench's clock, without people.
    """

    step: Step
    began_s: float
    rest_s: float
    lasts_s: float
    owed_s: float

    @property
    def forecast_s(self) -> float:
        """How long the step takes where it stands, s, with its rest, without people."""
        return self.rest_s + self.lasts_s

    @property
    def timed_step(self) -> Step:
        """The step, with its forecast and what people take."""
        return replace(self.step, forecast_s=self.forecast_s + self.step.person_s)


def timeline(steps: Iterable[Step], duty: Duty, *, began_s: float = 0.0) -> Iterator[Timed]:
    """Yield the steps at their times: rests fall where the key takes them, before it is pressed again, and within a long wait.

    Those that share a key-down rest before the first alone, and owe for all of it after the last.
    """
    owed_s, down_s, now_s = 0.0, 0.0, began_s
    before: Step | None = None
    for step in steps:
        timing = step.timing
        if timing.keyed_s <= 0.0:
            owed_s = max(0.0, owed_s - timing.check_s)
            one = Timed(step=step, began_s=now_s, rest_s=0.0, lasts_s=timing.check_s, owed_s=owed_s)
        elif step.shares is not None and before is not None and step.shares == before.shares:
            longer_s = added_s(step, down_s)
            lasts_s = timing.check_s - (timing.keyed_s - longer_s)
            down_s += longer_s
            owed_s = down_s * duty.rest_per_key_s
            one = Timed(step=step, began_s=now_s, rest_s=0.0, lasts_s=lasts_s, owed_s=owed_s)
        else:
            down_s = min(timing.last_keyed_s, duty.unbroken_s)
            # the rests between several key-downs are the check's own
            broken_s = timing.keyed_s - down_s if timing.last_keyed_s >= timing.keyed_s else 0.0
            rest_s, owed_s = owed_s, down_s * duty.rest_per_key_s
            lasts_s = timing.check_s + broken_s * duty.rest_per_key_s
            one = Timed(step=step, began_s=now_s, rest_s=rest_s, lasts_s=lasts_s, owed_s=owed_s)
        before, now_s = step, now_s + one.forecast_s
        yield one


def added_s(step: Step, down_s: float) -> float:
    """Return how much longer a key-down of ``down_s`` gets by a step that shares it, s."""
    return step.timing.keyed_s - min(step.check.hold_s(step.settings), down_s)


def timed(steps: Iterable[Step], duty: Duty) -> tuple[Step, ...]:
    """Return the steps with their forecasts, in the order given."""
    return tuple(one.timed_step for one in timeline(steps, duty))
