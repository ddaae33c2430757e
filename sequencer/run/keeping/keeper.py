"""Whoever keeps what a run leaves, as the run sees it; `Record` is the one that writes it down."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from drivers.roles import Identity
from drivers.trace import Exchange
from sequencer.analysis.own_history import OwnHistory
from sequencer.checks.finding import KeptFile
from sequencer.planning.doubts.calibration import Doubt
from sequencer.results.line import CheckSeconds
from sequencer.results.model import Result
from sequencer.run.events import Event
from sequencer.run.facts import RunFacts
from sequencer.safety.remembered.announced import Announced

NOT_LOOKED_AT = "a run that stands in a file by itself knows of no earlier ones"
Earlier = Callable[[str, str], OwnHistory]


class Keeper(Protocol):
    """Keeps what the checks of one run leave."""

    facts: RunFacts
    problems: list[str]
    at_start: str
    """What a person must know of the keeping when the run begins; empty for nothing."""
    began: datetime
    """When it began, or was carried on."""

    def catch_up(self) -> None:
        """Bring what is kept of a run that is carried on to what it had found."""

    def keep_instruments(self, identities: dict[str, Identity]) -> None:
        """Keep who answered on the bench."""

    def find_earlier(self, serial: str, check: str) -> OwnHistory:
        """Return what was found earlier of ``serial`` on this bench, of one check or (empty) of all."""

    def find_measured_since(self) -> str:
        """Return which units were measured on this bench since its last check that passed, as a sentence."""

    def find_changes(self) -> list[Doubt]:
        """Return which instruments are others than in the run before on this bench."""

    def mark_simulated(self) -> None:
        """Mark all that is kept as simulated."""

    def note(self, event: str, **facts: Any) -> None:
        """Keep what is about to happen, or has been answered."""

    def listen(self, event: Event) -> None:
        """Keep what the run tells its listeners."""

    def announce(self, event: Announced, /) -> None:
        """Keep what is about to be done to the bench."""

    def keep(
        self,
        index: int,
        results: Sequence[Result],
        said: Sequence[Exchange],
        *,
        on_unit: Sequence[bool] = (),
        whole: bool = True,
        seconds: CheckSeconds | None = None,
    ) -> None:
        """Keep what the check with the number ``index`` left; ``on_unit`` says of each result whether the unit is why it is missing.

        ``whole`` is false of a check that was cut short. ``seconds`` says where its time went.
        """

    def keep_file(self, index: int, name: str, content: bytes) -> KeptFile:
        """Keep a file. OSError."""

    def end(self, *, outcome: str, bench_safe: bool, bench_s: float, status: int = 0) -> None:
        """Keep how the run ended."""


class InMemory:
    """Keeps the results of a run that is not to be written down, by the number of their check."""

    def __init__(self, facts: RunFacts, earlier: Earlier | None = None) -> None:
        """``earlier`` returns what was known before of a serial, by check; without it nothing was."""
        self.facts = facts
        self._earlier = earlier
        self.problems: list[str] = []
        self.at_start = ""
        self.results: dict[int, list[Result]] = {}
        self.outcome = ""
        self.began = facts.time

    def catch_up(self) -> None:
        """Do nothing: such a run is never carried on."""

    def keep_instruments(self, identities: dict[str, Identity]) -> None:
        """Keep nothing: nobody asks for them."""

    def find_earlier(self, serial: str, check: str) -> OwnHistory:
        """Return what was known before."""
        if self._earlier is not None:
            return self._earlier(serial, check)
        return OwnHistory(now=(), simulated=self.facts.simulated, unreadable=NOT_LOOKED_AT)

    def find_measured_since(self) -> str:
        """Return nothing: nobody looks."""
        return ""

    def find_changes(self) -> list[Doubt]:
        """Return nothing: nobody knows of a run before."""
        return []

    def mark_simulated(self) -> None:
        """Mark what follows."""
        self.facts = replace(self.facts, simulated=True)

    def note(self, event: str, **facts: Any) -> None:
        """Keep nothing: there is no journal."""

    def listen(self, event: Event) -> None:
        """Keep nothing: there is no journal."""

    def announce(self, event: Announced, /) -> None:
        """Keep nothing: there is no journal."""

    def keep(
        self,
        index: int,
        results: Sequence[Result],
        said: Sequence[Exchange],
        *,
        on_unit: Sequence[bool] = (),
        whole: bool = True,
        seconds: CheckSeconds | None = None,
    ) -> None:
        """Keep the results."""
        self.results.setdefault(index, []).extend(results)

    def keep_file(self, index: int, name: str, content: bytes) -> KeptFile:
        """Keep nothing of it but its hash: the run that measured it has written it."""
        return KeptFile(path=Path(Path(name).name), sha256=hashlib.sha256(content).hexdigest())

    def end(self, *, outcome: str, bench_safe: bool, bench_s: float, status: int = 0) -> None:
        """Keep how it ended."""
        self.outcome = outcome
