"""How often the cable and the fixture of a station were connected, counted against what their makers rate them for.

The count stands in the user's own state folder, under the bench's name, and outlives batches. It is a count of connections that were
asked for, not of those that were made: a unit that is taken off and put on again by hand counts once.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from sequencer.frozen import dataclass
from sequencer.safety.remembered.state_folder import StateFolder

WARN_AT = 0.9
"""The share of the rated connections from which it is said (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Worn:
    """A part that wears: how often it was connected, and how often its maker rates it for; None where nobody stated it."""

    name: str
    count: int
    rated: int | None

    @property
    def is_near(self) -> bool:
        """Say whether it comes near the end of its rated life."""
        return self.rated is not None and self.count >= WARN_AT * self.rated

    @property
    def is_over(self) -> bool:
        """Say whether it has reached it."""
        return self.rated is not None and self.count >= self.rated

    def __str__(self) -> str:
        of = "" if self.rated is None else f" of {self.rated} rated"
        return f"{self.name}: {self.count}{of} connections"


class Wear:
    """The parts of one station. ``rated`` names each with its rating. A count that cannot be kept is no reason to stop: see `problem`."""

    def __init__(
        self, bench: str, rated: Mapping[str, int | None], *, folder: Path | None = None, kept: bool = True
    ) -> None:
        """``kept`` False: of a simulated bench, whose cable is new each time. ``folder`` stands in for the state folder."""
        self._rated = dict(rated)
        self._kept = kept
        self.problem = ""
        place = (folder or _state_folder()) if kept else None
        self._path = None if place is None else place / f"connections-{_file_name(bench)}.json"
        self._counts = self._read()

    @property
    def parts(self) -> tuple[Worn, ...]:
        """Each part as it is."""
        return tuple(
            Worn(name=name, count=self._counts.get(name, 0), rated=rated)
            for name, rated in self._rated.items()
        )

    def connect(self) -> None:
        """Count one connection of each part."""
        for name in self._rated:
            self._counts[name] = self._counts.get(name, 0) + 1
        self._write()

    def renew(self, name: str) -> None:
        """Begin anew with a part that was exchanged."""
        self._counts[name] = 0
        self._write()

    def _read(self) -> dict[str, int]:
        if self._path is None:
            self.problem = "there is no state folder to count connections in" if self._kept else ""
            return {}
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as error:
            self.problem = f"the connections counted in {self._path} cannot be read: {error}"
            return {}
        counts = found if isinstance(found, dict) else {}
        return {
            str(name): number for name, number in counts.items() if isinstance(number, int) and number >= 0
        }

    def _write(self) -> None:
        if self._path is None:
            return
        fresh = self._path.with_suffix(f".{os.getpid()}")
        try:
            fresh.write_text(json.dumps(self._counts, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
            fresh.replace(self._path)
        except OSError as error:
            self.problem = f"connections cannot be counted in {self._path.parent}: {error.strerror or error}"
            with suppress(OSError):
                fresh.unlink()


def _state_folder() -> Path | None:
    own = StateFolder.of_user()
    if own is not None:
        return own.path
    chosen = StateFolder.find()
    return chosen.path if chosen.chosen else None


def _file_name(bench: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", bench).strip("-").lower()[:60] or "bench"
