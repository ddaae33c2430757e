"""A receiver that gives no sign of life: where the sequence says so, its receive side ends with the first check that found nothing.

What is dead may be the unit or a cable: nothing tells them apart, so that what was left out is not measured, and speaks against no unit.
"""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.checks.finding import Finding
from sequencer.planning.step import Step
from sequencer.run.measuring.missing import not_measured


class DeadReceiver:
    """Whether the receive side of a run has ended; ``ends`` says that the sequence wants it to."""

    def __init__(self, *, ends: bool) -> None:
        self._watches = ends
        self._why = ""

    def left_out(self, step: Step) -> list[Finding] | None:
        """Return what is said of a step that is not made any more; None of one that is."""
        return not_measured(step, self._why) if self._why and step.side == "receive" else None

    def look(self, step: Step, findings: Sequence[Finding]) -> None:
        """Look at what the first check of the receive side found; one that a fault ended says nothing of the unit, and is passed over."""
        if not self._watches or step.side != "receive" or any(one.fault is not None for one in findings):
            return
        self._watches = False
        if findings and all(one.value is None for one in findings):
            self._why = (
                f"left out: the receive side ended with {step.label}, which found nothing ({findings[0].note}); "
                "'dead_receiver: end' in the sequence"
            )
