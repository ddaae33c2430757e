"""A bench as its worker registers it: who it is, what it can, how long its lease lasts, and when it checks itself each day."""

from __future__ import annotations

import json
from datetime import time

from sequencer.frozen import dataclass

SHORTEST_LEASE_S, LONGEST_LEASE_S = 3.0, 3600.0
LEASE_S = 120.0
"""How long a bench keeps a job without being heard: longer than a server restarts, shorter than a unit is missed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnCheckDaily:
    """The bench's check of itself each day, at ``at`` in ``zone``, a name of the IANA's such as Europe/Lisbon."""

    sequence: str
    sequence_hash: str
    serial: str
    at: time
    zone: str
    needs: tuple[str, ...]

    def as_job(self) -> str:
        """Return what its jobs are made of, as JSON."""
        words = {"sequence": self.sequence, "sequence_hash": self.sequence_hash, "serial": self.serial}
        return json.dumps({**words, "needs": list(self.needs)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A bench that takes jobs."""

    bench: str
    host: str
    can: tuple[str, ...]
    lease_s: float = LEASE_S
    own_check: OwnCheckDaily | None = None
