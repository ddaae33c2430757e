"""Writing a file whole and onto the disk: a new one that must not be there yet, or one that takes the place of another."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from sequencer.problems import Complaint, InputError, about_file


def is_there(path: Path) -> bool:
    """Say whether there is something under that name; a name that no file system takes is that of nothing."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def write_new(path: Path, content: bytes) -> None:
    """Write ``content`` to a new file. A reader never meets half of it. FileExistsError if it is there, OSError where it cannot be written.

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


def refuse_over(path: Path, *, kind: str, force: bool, is_own: Callable[[Path], bool]) -> None:
    """Raise InputError if something stands at ``path`` already, unless it is of this ``kind`` and ``force`` tells to write over it."""
    if not os.path.lexists(path):
        return
    if is_own(path):
        if not force:
            raise about_file(
                path,
                f"there is {kind} of this name already; nothing was written",
                hint="--force writes over it; or name another file",
            )
        return
    raise about_file(
        path,
        f"what stands here is not {kind}; nothing was written",
        allowed=f"a name that is free, or with --force the name of {kind}",
        hint="name another file",
    )


def write_all(
    contents: Mapping[Path, bytes], *, kind: str, force: bool, is_own: Callable[[Path], bool]
) -> list[Path]:
    """Write files, their folders too, and return their paths; what stands there already with the same content is left as it is.

    Raises InputError, before anything is written, with every path at which something else stands; ``force`` tells to write over what is
    of this ``kind``. Raises InputError for what cannot be written.
    """
    due = {path: content for path, content in contents.items() if not _holds(path, content)}
    complaints: list[Complaint] = []
    for path in due:
        try:
            refuse_over(path, kind=kind, force=force, is_own=is_own)
        except InputError as problem:
            complaints += problem.complaints
    if complaints:
        raise InputError(complaints)
    for path, content in due.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise unwritable(path, error) from error
        with whole_file(path) as beside:
            beside.write_bytes(content)
    return list(contents)


def _holds(path: Path, content: bytes) -> bool:
    try:
        return path.is_file() and path.stat().st_size == len(content) and path.read_bytes() == content
    except OSError:
        return False


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a name beside ``path`` to write to, and put it in place afterwards. Raises InputError if that cannot be done."""
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            yield beside
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise unwritable(path, error) from error


def unwritable(path: Path, error: OSError) -> InputError:
    """Return the complaint that a file cannot be written."""
    return about_file(
        path,
        f"cannot be written: {error.strerror or error}",
        allowed="a file in a folder that exists and can be written, with room on the disk",
    )


def onto_disk(file: IO[str]) -> None:
    """See what was written onto the disk."""
    file.flush()
    os.fsync(file.fileno())


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
