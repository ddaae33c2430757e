"""Which process drives an instrument: one lock file for each address, and what is remembered of it beyond a process.

All of it goes by instrument addresses, never by the title of a bench file, and stands in the machine's `StateFolder`.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import sys
from contextlib import ExitStack, suppress
from pathlib import Path

from sequencer.inputs.bench import BenchFile
from sequencer.safety.mark import Mark
from sequencer.safety.state_folder import PREFIX, StateFolder

# Whose address a fact about the cables goes by; a bench on which cables are moved has at least one of them.
_CABLED = ("signal_generator", "power_meter", "switch", "radio")


class BenchBusy(Exception):
    """Another process drives this bench, or one of its instruments."""


def lock_addresses(bench: BenchFile, stack: ExitStack) -> None:
    """Take every address for this process; the operating system drops the locks with the process, however it ends.

    Raises BenchBusy. An instrument that a person works has no lock.
    """
    folder = StateFolder.find()
    for entry in bench.instruments.values():
        if entry.manual:
            continue
        path = lock_path(entry.address, folder)
        try:
            folder.check()
            taken = _take(folder, path.name, stack)
        except (OSError, NotImplementedError) as error:
            raise BenchBusy(
                f"the lock of {entry.address} on bench {bench.bench!r} cannot be taken ({_reason(error)}), so that another "
                f"process might drive it. See who owns {path}."
            ) from error
        if not taken:
            raise BenchBusy(
                f"another process drives {entry.address} on bench {bench.bench!r} (it holds {path}). "
                "Wait until it has ended, or end it; it leaves the bench safe."
            )


def lock_path(address: str, folder: StateFolder | None = None) -> Path:
    """Return the lock file of an address; ways of writing the same VISA resource share it, a name and its IP address do not."""
    return (folder or StateFolder.find()).path / f"{PREFIX}{address_key(address)}.lock"


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
    key = linked[0] if linked else f"{found[0][1].address} of {bench.bench}"
    return Mark(StateFolder.find(), f"{address_key(key)}.cables")


def key_mark(bench: BenchFile) -> Mark | None:
    """Return what remembers a pressed key; it goes by the radio's address. None where a person holds the key."""
    radio = bench.with_role("radio")
    if radio is None or radio[1].manual:
        return None
    return Mark(StateFolder.find(), f"{address_key(radio[1].address)}.key")


def _take(folder: StateFolder, name: str, stack: ExitStack) -> bool:
    if sys.platform == "win32":
        from filelock import FileLock, Timeout

        try:
            stack.enter_context(FileLock(folder.path / name, timeout=0))
        except Timeout:
            return False
        return True
    import fcntl

    for _ in range(3):
        descriptor = folder.open_file(name, create=True)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            return False
        except BaseException:
            os.close(descriptor)
            raise
        with suppress(OSError):
            os.utime(
                descriptor
            )  # in use: whoever clears old files away must see that; another user's we cannot touch
        if _is_still(descriptor, folder.path / name):
            stack.callback(os.close, descriptor)
            return True
        os.close(descriptor)  # removed since it was opened: a lock on it would keep nobody out
    return False


def _is_still(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.lstat())
    except FileNotFoundError:
        return False


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.errno == errno.ELOOP:
        return "a symbolic link stands in its place"
    return str(getattr(error, "strerror", None) or error)
