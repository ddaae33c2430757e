"""Which process drives an instrument: one lock file for each address, and a mark beside it for cables that were moved."""

from __future__ import annotations

import hashlib
import re
import tempfile
from contextlib import ExitStack, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from sequencer.inputs.bench import BenchFile


class BenchBusy(Exception):
    """Another process drives this bench, or one of its instruments."""


def lock_addresses(bench: BenchFile, stack: ExitStack) -> None:
    """Take every address for this process; the operating system drops the locks with the process, however it ends.

    Raises BenchBusy. An instrument that a person works has no lock.
    """
    for entry in bench.instruments.values():
        if entry.manual:
            continue
        try:
            stack.enter_context(FileLock(lock_path(entry.address), timeout=0, mode=0o666))
        except Timeout as error:
            raise BenchBusy(
                f"another process drives {entry.address} on bench {bench.bench!r}. "
                "Wait until it has ended, or end it; it leaves the bench safe."
            ) from error
        except (OSError, NotImplementedError) as error:
            raise BenchBusy(
                f"the lock of {entry.address} on bench {bench.bench!r} cannot be taken ({error}), so that another process "
                f"might drive it. See who owns {lock_path(entry.address)}."
            ) from error


def lock_path(address: str) -> Path:
    """Return the lock file of an address; ways of writing the same VISA resource share it, a name and its IP address do not."""
    folder = Path(tempfile.gettempdir()) / "radio-bench-sequencer-locks"
    with suppress(OSError):
        folder.mkdir(exist_ok=True)
        folder.chmod(0o1777)  # whoever made it, everybody's runs must meet there
    # VPP-4.3, 4.3.1: the board number is 0 and the resource class INSTR where none is written.
    resource = re.sub(r"^([A-Z]+)::", r"\g<1>0::", address.strip().upper()).removesuffix("::INSTR")
    return folder / f"{hashlib.sha256(resource.encode()).hexdigest()[:24]}.lock"


def cables_mark(bench: BenchFile) -> Path | None:
    """Return the file that remembers moved cables: beside the lock of the generator, without which nobody is asked to move any."""
    generator = bench.with_role("signal_generator")
    if generator is None:
        return None
    return lock_path(f"{generator[1].address} of {bench.bench}").with_suffix(".cables")
