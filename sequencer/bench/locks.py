"""Which process drives an instrument: one lock file for each address, and what is remembered of it beyond a process.

All of it goes by instrument addresses, never by the title of a bench file, and stands in the machine's `StateFolder`.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import platform
import re
import sys
import time
from collections.abc import Iterable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

from drivers.faults import Refused
from drivers.roles import Instrument
from sequencer.bench.aliases import names_of
from sequencer.files.mounts import filesystem_of, is_remote
from sequencer.frozen import dataclass
from sequencer.inputs.bench import BenchFile
from sequencer.problems import printable
from sequencer.safety.remembered.mark import Mark
from sequencer.safety.remembered.state_folder import PREFIX, StateFolder
from sequencer.safety.watchdog import WATCHDOG

# Whose address a fact about the cables goes by; a bench on which cables are moved has at least one of them.
_CABLED = ("signal_generator", "power_meter", "switch", "radio")


WATCHDOG_HOLDS_S = 20.0
"""How long the watchdog of a program that ended is waited for: longer than it tries."""
HOLDER_BYTES = 4096


class BenchBusy(Exception):
    """Another process drives this bench, or one of its instruments."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldLock:
    """A lock of this process: the open file, and the name that other processes look for it under."""

    path: Path
    descriptor: int


def confirm_held(locks: Iterable[HeldLock], asking: Instrument) -> None:
    """Raise Refused, in the name of the instrument ``asking``, unless every lock still stands under its name.

    Whoever removes a lock file lets another process in, which nothing else would tell.
    """
    for one in locks:
        if not _is_still(one.descriptor, one.path):
            raise Refused(
                f"the lock {one.path} was removed while this run goes on: another process may drive this bench by now",
                instrument=asking.name,
                address=asking.address,
                next_move="End every other run on these instruments, and never remove a lock: one that is left over locks nothing.",
            )


def lock_addresses(bench: BenchFile, stack: ExitStack) -> tuple[HeldLock, ...]:
    """Take every address for this process and return the locks; the operating system drops them with the process, however it ends.

    Raises BenchBusy. An instrument that a person works has no lock. One that is written or reached in several ways has several.
    """
    folder = StateFolder.find()
    wanted = {
        path: entry
        for entry in bench.instruments.values()
        if not entry.manual
        for path in lock_paths(entry.address, folder)
    }
    held: list[HeldLock] = []
    for path, entry in wanted.items():
        try:
            folder.check()
            taken = _take_after_watchdog(folder, path.name, stack)
        except (OSError, NotImplementedError) as error:
            raise BenchBusy(
                f"the lock of {entry.address} on bench {bench.bench!r} cannot be taken ({_reason(error)}), so that another "
                f"process might drive it. See who owns {path}."
            ) from error
        if taken is None:
            raise BenchBusy(
                f"another process drives {entry.address} on bench {bench.bench!r} ({_holder_of(path)} holds {path}). "
                "Wait until it has ended, or end it; it leaves the bench safe."
            )
        if taken >= 0:
            held.append(HeldLock(path=path, descriptor=taken))
    return tuple(held)


def _take_after_watchdog(folder: StateFolder, name: str, stack: ExitStack) -> int | None:
    """Take a lock, after the key-down watchdog of a program that ended with PTT pressed, which has it for a moment."""
    until_s = time.monotonic() + WATCHDOG_HOLDS_S
    while (taken := _take(folder, name, stack)) is None:
        if _holder(folder.path / name).get("program") != WATCHDOG or time.monotonic() > until_s:
            return None
        time.sleep(0.05)
    return taken


def _holder(path: Path) -> dict[str, Any]:
    """Return what the lock file says of who holds it; nothing where it says nothing that can be read."""
    with suppress(OSError, ValueError):
        found = json.loads(path.read_bytes()[:HOLDER_BYTES])
        if isinstance(found, dict):
            return found
    return {}


def _holder_of(path: Path) -> str:
    """Return in words who holds a lock: not all can be told, for a file of another user's cannot be written to."""
    holder = _holder(path)
    pid, program, since_s = holder.get("pid"), holder.get("program"), holder.get("since")
    if not isinstance(pid, int) or not isinstance(program, str) or not isinstance(since_s, int | float):
        return "it"
    with suppress(OSError, ValueError, OverflowError):
        began = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(since_s))
        where = holder.get("machine")
        elsewhere = "" if where == platform.node() else f" on {printable(str(where))}"
        said = f"process {pid}{elsewhere}, {printable(program)!r}, since {began},"
        if _is_over(holder):
            said += " which has ended: a process that it started, or the server of a network share,"
        return said
    return "it"


def _is_over(holder: dict[str, Any]) -> bool:
    """Say whether the process that holds a lock, by its file, was one of this machine and is no more."""
    if holder.get("machine") != platform.node():
        return False
    try:
        os.kill(int(holder["pid"]), 0)
    except (ProcessLookupError, OverflowError):
        return True
    except OSError:
        return False
    return False


def _note_holder(descriptor: int) -> None:
    """Write into a lock file of ours who holds it, for whoever is refused."""
    said = {
        "pid": os.getpid(),
        "program": " ".join(["sequencer", *sys.argv[1:2]]),
        "since": time.time(),
        "machine": platform.node(),
    }
    with suppress(OSError):
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps(said).encode("ascii"), 0)


def lock_path(address: str, folder: StateFolder | None = None) -> Path:
    """Return the lock file of an address as it is written."""
    return (folder or StateFolder.find()).path / f"{PREFIX}{address_key(address)}.lock"


def lock_paths(address: str, folder: StateFolder | None = None) -> tuple[Path, ...]:
    """Return all lock files of an address: as written, and as another bench file may write the same instrument's."""
    folder = folder or StateFolder.find()
    return tuple(
        dict.fromkeys([lock_path(address, folder), *(lock_path(one, folder) for one in names_of(address))])
    )


def locks_note(folder: StateFolder | None = None) -> str:
    """Return what a person must know of locks that stand on a network share; empty where they stand on this machine."""
    folder = folder or StateFolder.find()
    kind = filesystem_of(folder.path)
    if not is_remote(kind):
        return ""
    return (
        f"warning: the locks of this bench stand on a network share ({kind}: {printable(str(folder.path))}). They keep processes of this "
        "machine apart; those of other machines only if the server keeps locks, and not once the connection to it was lost. Drive a bench "
        "from one machine, or see to it yourself that only one does."
    )


def address_key(address: str) -> str:
    """Return what stands for an address in a file's name."""
    # VPP-4.3, 4.3.1: the board number is 0 and the resource class INSTR where none is written.
    resource = re.sub(r"^([A-Z]+)::", r"\g<1>0::", address.strip().upper()).removesuffix("::INSTR")
    return hashlib.sha256(resource.encode()).hexdigest()[:24]


def cables_mark(bench: BenchFile) -> Mark | None:
    """Return what remembers moved cables; it goes by the generator's address, or by that of what else has one on their ends.

    Where a person works all of these the bench's title has to do: nothing else tells one such bench from another.
    """
    found = [entry for role in _CABLED if (entry := bench.with_role(role)) is not None]
    if not found:
        return None
    linked = [entry.address for _, entry in found if not entry.manual]
    if linked:
        return _mark_of(linked[0], "cables")
    key = f"{found[0][1].address} of {bench.bench}"
    return Mark(StateFolder.find(), f"{address_key(key)}.cables", own=StateFolder.of_user())


def key_mark(bench: BenchFile) -> Mark | None:
    """Return what remembers a pressed key; it goes by the radio's address. None where a person holds the key."""
    radio = bench.with_role("radio")
    if radio is None or radio[1].manual:
        return None
    return _mark_of(radio[1].address, "key")


def _mark_of(address: str, what: str) -> Mark:
    """Return a mark of an instrument, whichever way a bench file writes its address: it goes by the last of its names, and knows all."""
    keys = list(dict.fromkeys([address_key(address), *(address_key(one) for one in names_of(address))]))
    names = [f"{key}.{what}" for key in reversed(keys)]
    return Mark(StateFolder.find(), names[0], own=StateFolder.of_user(), also=names[1:])


def _take(folder: StateFolder, name: str, stack: ExitStack) -> int | None:
    """Take a lock; return its descriptor (-1 where the system has none that tells), None where another process has it."""
    if sys.platform == "win32":
        from filelock import FileLock, Timeout

        try:
            stack.enter_context(FileLock(folder.path / name, timeout=0))
        except Timeout:
            return None
        return -1  # a file that is open cannot be removed there
    import fcntl

    for _ in range(3):
        try:
            descriptor = folder.open_file(name, write=True, create=True)
        except PermissionError:  # another user's: a lock can be taken of what can be read
            descriptor = folder.open_file(name)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            return None
        except BaseException:
            os.close(descriptor)
            raise
        with suppress(OSError):
            os.utime(
                descriptor
            )  # in use: whoever clears old files away must see that; another user's we cannot touch
        if _is_still(descriptor, folder.path / name):
            stack.callback(os.close, descriptor)
            _note_holder(descriptor)
            return descriptor
        os.close(descriptor)  # removed since it was opened: a lock on it would keep nobody out
    return None


def _is_still(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.lstat())
    except FileNotFoundError:
        return False


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.errno == errno.ELOOP:
        return "a symbolic link stands in its place"
    if (
        isinstance(error, OSError) and error.errno == errno.EBADF
    ):  # NFS turns it into a lock that asks for writing
        return "it is another user's, and this share locks only what one may write to"
    return str(getattr(error, "strerror", None) or error)
