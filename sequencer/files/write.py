"""Writing a file that must not be there yet: whole, onto the disk, and never over another."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def is_there(path: Path) -> bool:
    """Say whether there is something under that name; a name that no file system takes is that of nothing."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def write_new(path: Path, content: bytes) -> None:
    """Write ``content`` to a new file. A reader never meets half of it. FileExistsError if it is there, OSError for any other trouble.

    Written beside its name and linked in place, because a link, unlike a rename, fails where there is a file; on a file system
    without links (FAT) it is created under its own name.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with beside.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(beside, path)
        except FileExistsError:
            raise
        except OSError:
            _create(path, content)
    finally:
        with suppress(OSError):
            beside.unlink()


def write_beside(path: Path, content: bytes) -> Path:
    """Write ``content`` to a new file called ``path``, or, where there is one already, that name with the next free number."""
    number = 1
    while True:
        named = path if number == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")
        try:
            write_new(named, content)
        except FileExistsError:
            number += 1
        else:
            return named


def _create(path: Path, content: bytes) -> None:
    with path.open("xb") as file:
        try:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        except BaseException:
            with suppress(OSError):
                path.unlink()
            raise
