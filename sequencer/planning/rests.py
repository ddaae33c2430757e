"""The rests that a bench's key duty owes, forecast for steps in the order in which they are made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Self

from sequencer.frozen import dataclass
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.proof import longest_s
from sequencer.planning.step import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """What a bench's `protection` makes of keying: a rest of ``rest_per_key_s`` after each second, ``unbroken_s`` keyed at most at once."""

    rest_per_key_s: float
    unbroken_s: float

    @classmethod
    def of(cls, bench: LoadedBench, roles: frozenset[str]) -> Self:
        """Return the duty of ``bench``, where ``roles`` are set or read while the unit is keyed."""
        protection = bench.bench.protection
        step_s, release_s = longest_s(bench, roles)
        # the key is released in time for one more step and a release, however slow, to end inside the limit
        return cls(
            rest_per_key_s=100.0 / protection.key_duty_percent - 1.0,
            unbroken_s=max(0.5, protection.max_key_time_s - step_s - release_s),
        )


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
    """Yield the steps at their times: rests fall where the key takes them, before it is pressed again, and within a long wait."""
    owed_s, now_s = 0.0, began_s
    for step in steps:
        timing = step.timing
        if timing.keyed_s <= 0.0:
            owed_s = max(0.0, owed_s - timing.check_s)
            one = Timed(step=step, began_s=now_s, rest_s=0.0, lasts_s=timing.check_s, owed_s=owed_s)
        else:
            last_s = min(timing.last_keyed_s, duty.unbroken_s)
            # the rests between several key-downs are the check's own
            broken_s = timing.keyed_s - last_s if timing.last_keyed_s >= timing.keyed_s else 0.0
            rest_s, owed_s = owed_s, last_s * duty.rest_per_key_s
            lasts_s = timing.check_s + broken_s * duty.rest_per_key_s
            one = Timed(step=step, began_s=now_s, rest_s=rest_s, lasts_s=lasts_s, owed_s=owed_s)
        now_s += one.forecast_s
        yield one


def timed(steps: Iterable[Step], duty: Duty) -> tuple[Step, ...]:
    """Return the steps with their forecasts, in the order given."""
    return tuple(one.timed_step for one in timeline(steps, duty))
