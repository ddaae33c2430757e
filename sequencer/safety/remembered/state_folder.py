"""The folder in which every process of this machine remembers what it does to a bench: locks, and marks that outlive a process.

It must be one for all users and all processes, or two of them could drive one bench; so it depends on nothing that a user's session
sets, such as ``TMPDIR``. On POSIX it is ``/var/tmp``: everybody may write there, nobody may remove another user's file (sticky bit),
and it is kept when the machine restarts (Filesystem Hierarchy Standard 3.0, 5.15). On Windows it is ``%PROGRAMDATA%``.
``SEQUENCER_STATE`` names another; every process that may drive the same instruments must then be given the same.

A file of another user may be in the way, on purpose. So no link is followed, only a plain file with one name is used, its owner is
looked at, and the mode of a file is set only where this process has just made it.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from sequencer.frozen import dataclass

STATE_VARIABLE = "SEQUENCER_STATE"
OWN_NAME = "radio-bench-sequencer"
PREFIX = "radio-bench-sequencer-"
_ANYBODY = stat.S_IWOTH | stat.S_IWGRP
_TRIES = 5  # a file may vanish or appear between two looks; not for ever


class UnusableState(OSError):
    """The folder, or a file in it, cannot be trusted to mean the same to every process; the text says why and what to do."""


def own_uid() -> int:
    """Return the number of the user whose files this process makes; 0 where the system has none."""
    return os.geteuid() if hasattr(os, "geteuid") else 0


def user_name(uid: int) -> str:
    """Return a user of this machine by name and number; by the number alone where it has no name."""
    try:
        import pwd

        return f"{pwd.getpwuid(uid).pw_name} (user {uid})"
    except (ImportError, KeyError):
        return f"user {uid}"


@dataclass(frozen=True, slots=True, kw_only=True)
class StateFolder:
    """The folder, found by `find`; ``chosen`` if a person named it."""

    path: Path
    chosen: bool = False

    @classmethod
    def find(cls) -> StateFolder:
        """Return the folder that ``SEQUENCER_STATE`` names, or the machine's own. It is looked at when it is used."""
        if named := os.environ.get(STATE_VARIABLE, ""):
            return cls(path=Path(named).expanduser().absolute(), chosen=True)
        if os.name == "nt":
            return cls(path=Path(os.environ.get("PROGRAMDATA", r"C:\ProgramData")))
        return cls(path=Path("/var/tmp"))

    @classmethod
    def of_user(cls) -> StateFolder | None:
        """Return this user's own folder, in which nobody else may write and nothing is cleared away; None where there is none.

        That is ``STATE_DIRECTORY`` (systemd.exec(5)), else ``XDG_STATE_HOME`` or ``~/.local/state`` (XDG Base Directory Specification 0.8).
        Where ``SEQUENCER_STATE`` names a folder, that is the only one.
        """
        if os.environ.get(STATE_VARIABLE, "") or os.name == "nt":
            return None
        given = os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
        home = os.environ.get("XDG_STATE_HOME", "") or "~/.local/state"
        path = Path(given) if given else Path(home).expanduser() / OWN_NAME
        folder = cls(path=path, chosen=True)
        try:
            path.mkdir(mode=0o700, parents=True, exist_ok=True)
            folder.check()
            owned = path.stat().st_uid == own_uid() and not path.stat().st_mode & _ANYBODY
        except OSError:
            return None
        return folder if path.is_absolute() and owned else None

    def __str__(self) -> str:
        how = f"as {STATE_VARIABLE} says" if self.chosen else f"{STATE_VARIABLE} names another"
        return f"{self.path} ({how})"

    def check(self) -> None:
        """Raise UnusableState unless it is a folder in which no stranger can take away or put in place of ours what we leave."""
        try:
            if self.chosen:
                self.path.mkdir(parents=True, exist_ok=True)
            found = self.path.lstat()
        except OSError as error:
            raise self._unusable(f"{error.strerror or error}") from error
        if not stat.S_ISDIR(found.st_mode):
            raise self._unusable("it is not a folder, or it is a link to one")
        if os.name == "nt":
            return
        if found.st_mode & _ANYBODY and not found.st_mode & stat.S_ISVTX:
            raise self._unusable("others may remove files of ours from it (no sticky bit)")
        if not self.chosen and found.st_uid not in (0, own_uid()):
            raise self._unusable(f"it belongs to user {found.st_uid}")

    def open_file(self, name: str, *, write: bool = False, create: bool = False) -> int:
        """Open one plain file of it, and return the descriptor. Raises FileNotFoundError, UnusableState, and other OSError.

        Never with O_CREAT alone: in a sticky folder the system itself may refuse that for another user's file.
        """
        path = self.path / name
        flags = os.O_RDWR if write else os.O_RDONLY
        for extra in (
            "O_NOFOLLOW",
            "O_NONBLOCK",
            "O_CLOEXEC",
        ):  # O_NONBLOCK: a FIFO in its place must not hang us
            flags |= getattr(os, extra, 0)
        for _ in range(_TRIES):
            try:
                return self._checked(os.open(path, flags), path)
            except FileNotFoundError:
                if not create:
                    raise
            try:
                made = os.open(path, flags | os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o644)
            except FileExistsError:
                continue
            if hasattr(os, "fchmod"):
                os.fchmod(
                    made, 0o644
                )  # ours, and just made: a strict umask must not keep other users from looking
            return self._checked(made, path)
        raise UnusableState(f"{path} comes and goes; find out who makes and removes it")

    def _checked(self, descriptor: int, path: Path) -> int:
        found = os.fstat(descriptor)
        if stat.S_ISREG(found.st_mode) and found.st_nlink == 1:
            return descriptor
        os.close(descriptor)
        raise UnusableState(f"{path} is not a plain file with one name; remove it")

    def _unusable(self, why: str) -> UnusableState:
        return UnusableState(
            f"the folder of locks and marks, {self.path}, cannot be used: {why}. Set {STATE_VARIABLE} to a folder that every "
            "process which may drive these instruments shares"
        )
