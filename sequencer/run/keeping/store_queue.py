"""The store of one run, and what waits for it: what it cannot take at once is written, in order, with what comes next."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sequencer.results.model import Result
from sequencer.results.store.fence import Fence
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.server_line import is_hurried
from sequencer.results.store.writer import StoreWriter

Write = Callable[[StoreWriter, bool], None]
"""Writes to the store; true where it is tried again, so that it may have been done and only the answer was lost."""


class StoreQueue:
    """Writes to a store, which need not be there yet. ``where`` is its place as it may be shown."""

    def __init__(self, place: StorePlace, *, power_safe: bool, fence: Fence | None = None) -> None:
        self._fence = fence
        self.where = str(place)
        self._place = place
        self._power_safe = power_safe
        self.writer: StoreWriter | None = None
        self._waiting: list[Write] = []

    @property
    def waits(self) -> bool:
        """Say whether there is something that the store has not taken."""
        return bool(self._waiting)

    def write(self, write: Write) -> StoreProblem | None:
        """Write what waits and then this; what cannot be written goes on waiting, and why is returned.

        Where a run on a server's store has been asked to stop, nothing is tried until its bench is safe (`hurried`).
        """
        again = bool(self._waiting)
        self._waiting.append(write)
        if self._place.url is not None and is_hurried():
            return StoreProblem(
                self.where,
                "the run was asked to stop",
                "It is written once the bench is safe.",
                may_pass=True,
            )
        try:
            writer = self.opened()
            while self._waiting:
                self._waiting[0](writer, again)
                self._waiting.pop(0)
        except StoreProblem as problem:
            return problem
        return None

    def opened(self) -> StoreWriter:
        """Return the store, opened if it is not yet. Raises StoreProblem."""
        if self.writer is None:
            self.writer = StoreWriter.open(self._place, power_safe=self._power_safe, fence=self._fence)
        return self.writer

    def count_kept(self, run: str, found: Sequence[tuple[int, Result]]) -> int:
        """Read back how many of ``found`` (number of the check, result; in order) the store holds, from the first on; 0 if it cannot be."""
        try:
            return 0 if self.writer is None else self.writer.count_kept(run, found)
        except StoreProblem:
            return 0

    def close(self) -> None:
        """Let go of the store."""
        if self.writer is not None:
            self.writer.close()
