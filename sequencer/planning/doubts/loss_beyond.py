"""Where a plan measures beyond the loss table of a path: the loss of the table's end is taken, and nothing is known of its uncertainty."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.checks.finding import Finding
from sequencer.inputs.bench_parts.loss_table import frequency_text
from sequencer.inputs.bench_parts.paths import LossyPath
from sequencer.inputs.stated import CHECK_PATH, RECEIVE_PATH, TRANSMIT_PATH, loss_uncertainty
from sequencer.planning.doubts.unstated import frequencies_of
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step

_NEEDS = {"receive": RECEIVE_PATH, "transmit": TRANSMIT_PATH, "check": CHECK_PATH}


def loss_beyond_lines(plan: Plan) -> list[str]:
    """Return a line for each end of a loss table that stands in for frequencies beyond it, with what to do about it."""
    found: dict[tuple[str, float], set[float]] = {}
    for step in plan.steps:
        needs = step.check.needs(step.settings, step.conditions)
        for name, path in _paths(plan):
            if _NEEDS[name] not in needs:
                continue
            for at_hz in frequencies_of(step):
                if at_hz is not None and (end_hz := path.end_taken_hz(at_hz)) is not None:
                    found.setdefault((name, end_hz), set()).add(at_hz)
    return [
        f"note: loss of the {name} path taken from {frequency_text(end_hz)}, the table ends there, for {_span(at_hz)}: "
        "what rests on it has no stated uncertainty; measure the loss there too ('sequencer reference checks', path_loss)"
        for (name, end_hz), at_hz in found.items()
    ]


def loss_beyond_note(plan: Plan, step: Step, found: Finding) -> str:
    """Return in words, for a result, from where its path's loss was taken beyond the table; nothing where it holds, or cancels."""
    at_hz = step.conditions.frequency_hz if found.frequency_hz is None else found.frequency_hz
    if at_hz is None or found.budget is None or not found.budget.unstated:
        return ""
    ends = (
        end_hz
        for name, path in _paths(plan)
        if (end_hz := path.end_taken_hz(at_hz)) is not None
        and loss_uncertainty(path, name, at_hz).key in found.budget.unstated
    )
    return "; ".join(
        f"path loss taken from {frequency_text(end_hz)}, the table ends there" for end_hz in ends
    )


def _paths(plan: Plan) -> Iterator[tuple[str, LossyPath]]:
    for name in _NEEDS:
        path: LossyPath | None = getattr(plan.bench.bench.paths, name)
        if path is not None:
            yield name, path


def _span(frequencies_hz: set[float]) -> str:
    low, high = min(frequencies_hz), max(frequencies_hz)
    return frequency_text(low) if low == high else f"{frequency_text(low)} to {frequency_text(high)}"
