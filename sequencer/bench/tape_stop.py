"""Where a stored run was stopped: between two of its messages, which its trace does not tell; what it left out does."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence

from drivers.trace import Direction
from sequencer.bench.taped import Taped

_PROOF = re.compile(rb"(\*CLS;)?\*IDN\?", re.I)


class WhereStopped:
    """Stops a run that is gone through where it was stopped then, once; one that was not stopped has no ``interrupt``.

    ``entries`` are those of its trace. ``results_of`` are the checks that had ended; ``cut_short`` says that it ended without a word,
    so that its trace has no way out.
    """

    def __init__(
        self,
        entries: Sequence[Taped],
        interrupt: Callable[[], None] | None,
        results_of: Collection[int],
        *,
        cut_short: bool,
    ) -> None:
        self._entries = entries
        self._interrupt = interrupt
        self._results_of = frozenset(results_of)
        self._cut_short = cut_short

    def may_be_in(self, check: int) -> bool:
        """Say whether it may have been stopped in ``check``: it is not known yet where, and that check has no result."""
        return self._interrupt is not None and check not in self._results_of

    def is_before(self, check: int, place: int, *, after: int) -> bool:
        """Say whether it was stopped before ``check`` had said anything: from ``place`` on is the way out, kept with ``after``."""
        return self.may_be_in(check) and {one.check_index for one in self._entries[place:]} <= {after} - {
            check
        }

    def leaves_nothing(self, place: int) -> bool:
        """Say whether the trace of a run that ended without a word has ended at ``place``."""
        return self._cut_short and place >= len(self._entries)

    def is_in_step(self, place: int, names: Collection[str]) -> bool:
        """Say whether the link with these names was in step at ``place``: nothing made it whole before it was used next."""
        said = [one.exchange for one in self._entries[place:] if one.exchange.instrument in names][:2]
        return not any(one.direction is Direction.OPENED or _PROOF.match(one.content) for one in said)

    def now(self) -> None:
        """Stop the run, if it was not stopped yet."""
        interrupt, self._interrupt = self._interrupt, None
        if interrupt is not None:
            interrupt()
