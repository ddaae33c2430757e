"""What a check leaves that could not be measured: a finding without a value for each quantity, with its limits and the reason."""

from __future__ import annotations

import itertools
import traceback
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace

from sequencer.checks.finding import Finding
from sequencer.planning.step import Step
from sequencer.results.model import FaultFacts
from sequencer.uncertainty.decision import Limits


def not_measured(step: Step, why: str, fault: FaultFacts | None = None) -> list[Finding]:
    """Return a finding without a value for each quantity of the step, with the limits that it would have been held against."""
    return [
        Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=why, fault=fault)
        for (quantity, unit), limits in zip(
            step.check.quantities(step.settings), _limits_of(step), strict=False
        )
    ]


def _limits_of(step: Step) -> Iterator[Limits]:
    """Yield the limits of each quantity; none where a check from elsewhere fails at that too: its rows count for more."""
    with suppress(Exception):
        yield from step.check.limits_of(step.settings, step.conditions)
    yield from itertools.repeat(Limits())


def refused_by_unit(step: Step, refused: FaultFacts) -> list[Finding]:
    """Return the finding of a unit that refuses the channel it should be measured on, and what could not be measured for that."""
    quantity, limits = "channel accepted", Limits(lower=1.0)
    fact = Finding(quantity=quantity, value=0.0, unit="", exact=True, limits=limits, note=refused.what)
    missing = not_measured(step, refused.what, refused)
    return [fact, *(replace(one, on_unit=True) for one in missing)]


def traceback_of(error: BaseException) -> str:
    """Return the error's traceback as text, for whoever mends it."""
    return "".join(traceback.format_exception(error)).rstrip()
