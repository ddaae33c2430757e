"""What stands between a run and the store where the run may lose the right to write: asked inside each transaction, as the last thing."""

from __future__ import annotations

from typing import Protocol

from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.transaction import Writing


class FenceLost(StoreProblem):
    """The run is another's by now: nothing of it is written any more."""


class Fence(Protocol):
    """Lets a run write, or refuses. Each method is called within the transaction that writes, which its refusal undoes."""

    def hold(self, transaction: Writing) -> None:
        """See that the run may write, and that nobody takes that away before the transaction ends, at once. Raises FenceLost."""

    def begun(self, transaction: Writing, run: str) -> None:
        """Take note of the run's row."""

    def ended(self, transaction: Writing, run: str, *, outcome: str, status: int | None) -> None:
        """Take note of how the run ended; may be told twice."""
