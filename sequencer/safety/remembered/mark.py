"""A fact about a bench that outlives the process: that cables were moved, that a unit was keyed.

Each user writes a file of their own, so that nobody can take back what another has said: in a sticky folder only its owner (and root)
may change or remove it. What another user's file says counts as long as ours says nothing newer; a file that cannot be read, or that
is not what its name says, counts too. So a forged mark costs a question or a rest, once for each time that it is written, and never takes a
real one away: another's file is as old as its last change at least, whatever time it names.

What this user says stands twice: in the machine's folder, where every user looks, and in the user's own, where nobody else may write and
which no clean-up of old files empties (the machine's may be emptied of files a month old: tmpfiles.d(5), from memory). The newer counts,
but of one that cannot be read nobody knows how new its word was: the mark stands then, whatever the other says.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import time
from collections.abc import Sequence
from dataclasses import field
from pathlib import Path
from typing import Any

from drivers.clock import boot_id, boot_s
from sequencer.frozen import dataclass
from sequencer.safety.remembered.state_folder import PREFIX, StateFolder, UnusableState, own_uid

RECORD_BYTES = 1024  # a record of fixed length is written in one go, over the one before


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A mark that stands: the file that says so, its owner, since when (seconds since 1970), and the facts it holds.

    ``age_s`` is how long ago that is: by the clock that nobody sets, if it was written since the machine was started. Of a record that
    cannot be read (``is_legible`` False) both are those of the file's last change, and there are no facts.
    """

    path: Path
    uid: int
    since_s: float
    age_s: float = 0.0
    facts: dict[str, Any] = field(default_factory=dict)
    is_legible: bool = True

    @property
    def is_ours(self) -> bool:
        """Say whether this user left it, so that this user can take it back."""
        return self.uid == own_uid()


class Mark:
    """One mark: ``name`` is the hash of an instrument's address, and of what it is a mark. ``own`` is the user's own folder, if any.

    ``also`` are names under which the same may be said of the same instrument: its address as others write it. They are read, and
    written where this user has said something under them.
    """

    def __init__(
        self, folder: StateFolder, name: str, *, own: StateFolder | None = None, also: Sequence[str] = ()
    ) -> None:
        self.folder = folder
        self._own = own
        self.name = name
        self._stem = f"{PREFIX}{name}."
        self._stems = tuple(f"{PREFIX}{one}." for one in dict.fromkeys((name, *also)))
        self._ours = tuple(f"{stem}{own_uid()}" for stem in self._stems)

    @property
    def path(self) -> Path:
        """The file that this user writes."""
        return self.folder.path / f"{self._stem}{own_uid()}"

    def find(self) -> Standing | None:
        """Return what stands: our own word, or another user's that is newer than our "no longer". Raises OSError."""
        ours: Standing | None = None
        illegible: Standing | None = None
        said: tuple[bool, Standing] | None = None
        cleared_ago_s = float("inf")
        others: list[Standing] = []
        for stands, found in self.records():
            if found.is_ours and found.path.name in self._ours:
                if not found.is_legible:
                    illegible = found
                elif said is None or found.age_s < said[1].age_s:
                    said = (stands, found)
            elif stands:
                others.append(found)
        if said is not None:
            ours = said[1] if said[0] else None
            cleared_ago_s = float("inf") if said[0] else said[1].age_s
        if ours is not None or illegible is not None:
            return ours or illegible
        newer = [other for other in others if other.age_s < cleared_ago_s]
        return min(newer, key=lambda other: other.age_s, default=None)

    def records(self) -> list[tuple[bool, Standing]]:
        """Return what every user's file says, and whether it stands by that. Raises OSError."""
        names = [path.name for path in self.folder.path.iterdir() if path.name.startswith(self._stems)]
        found = [_look(self.folder, name) for name in names]
        if (own := self._own) is not None:
            found += [_look(own, name) for name in self._ours if (own.path / name).exists()]
        return found

    def write(self, *, stands: bool, durable: bool = True, **facts: Any) -> None:
        """Say that it stands, or no longer; on the disk before this returns if ``durable``. Raises OSError."""
        record = {"stands": stands, "since": time.time(), "boot": boot_id(), "since_boot": boot_s(), **facts}
        content = json.dumps(record).encode("ascii").ljust(RECORD_BYTES - 1) + b"\n"
        for folder in (self._own, self.folder):
            if folder is not None:
                for name in (one for one in self._ours[1:] if (folder.path / one).exists()):
                    _put(folder, name, content, durable=durable)
                _put(folder, self.path.name, content, durable=durable)


def _put(folder: StateFolder, name: str, content: bytes, *, durable: bool) -> None:
    folder.check()
    descriptor = folder.open_file(name, write=True, create=True)
    try:
        found = os.fstat(descriptor)
        if os.name != "nt" and found.st_uid != own_uid():
            raise UnusableState(f"{folder.path / name} belongs to user {found.st_uid}; remove it")
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, content)
        if found.st_size > len(content):
            os.ftruncate(descriptor, len(content))  # a longer one would stay illegible for good
        if durable:
            os.fsync(descriptor)
    finally:
        os.close(descriptor)
    if durable and found.st_size == 0:
        _keep_names(folder)


def _keep_names(folder: StateFolder) -> None:
    if os.name == "nt":
        return
    descriptor = os.open(folder.path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _look(folder: StateFolder, name: str) -> tuple[bool, Standing]:
    path = folder.path / name
    uid, since_s, changed_ago_s, record = -1, time.time(), 0.0, b""
    with contextlib.suppress(OSError):
        found = path.lstat()
        uid, since_s = found.st_uid if os.name != "nt" else 0, found.st_mtime
        if (
            os.name != "nt" and uid != own_uid()
        ):  # its owner may write any time into it, but not when it was changed last (stat(2))
            changed_ago_s = time.time() - found.st_ctime
        descriptor = folder.open_file(name)
        try:
            record = os.read(descriptor, 2 * RECORD_BYTES)
        finally:
            os.close(descriptor)
    stands, facts = True, {}  # half written, or not ours: the safe side
    if is_legible := (read := _facts_of(record)) is not None:
        facts = read
        stands, since_s = facts.pop("stands") is not False, float(facts.pop("since"))
    if (age_s := _age_s(facts, since_s)) < changed_ago_s:
        age_s, since_s = changed_ago_s, time.time() - changed_ago_s
    return stands, Standing(
        path=path, uid=uid, since_s=since_s, age_s=age_s, facts=facts, is_legible=is_legible
    )


def _facts_of(record: bytes) -> dict[str, Any] | None:
    """Return what a record says; None where it is not one, whatever else it may be."""
    try:
        facts = json.loads(record)
        if "stands" in facts and math.isfinite(float(facts["since"])):
            return dict(facts)
    except (ValueError, TypeError, KeyError, IndexError, RecursionError, OverflowError):
        pass
    return None


def _age_s(facts: dict[str, Any], since_s: float) -> float:
    """Return how long ago a record was written; nobody's setting of the time of day changes it within one start of the machine."""
    boot, at_s = facts.pop("boot", ""), facts.pop("since_boot", None)
    if boot and boot == boot_id() and isinstance(at_s, int | float) and at_s <= boot_s():
        return boot_s() - at_s
    return time.time() - since_s
