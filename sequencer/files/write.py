"""Writing a file whole and onto the disk: a new one that must not be there yet, or one that takes the place of another."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Self

from sequencer.frozen import dataclass
from sequencer.problems import Complaint, InputError, about_file

_ANOTHER_CAME = (
    "another file has appeared under this name meanwhile; it was left as it is, and nothing was written"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FileMark:
    """Which file stood under a name when it was looked at, so that another that has come since is not taken for it."""

    device: int
    inode: int
    size: int
    changed_ns: int

    @classmethod
    def of(cls, path: Path) -> Self | None:
        """Return the mark of what stands there now; None where nothing does. OSError if that cannot be told."""
        try:
            found = path.lstat()
        except FileNotFoundError:
            return None
        return cls(device=found.st_dev, inode=found.st_ino, size=found.st_size, changed_ns=found.st_mtime_ns)


def is_there(path: Path) -> bool:
    """Say whether there is something under that name; a name that no file system takes is that of nothing."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def write_new(path: Path, content: bytes) -> None:
    """Write ``content`` to a new file. A reader never meets half of it. FileExistsError if it is there, OSError where it cannot be written.

    What stands there afterwards is read back. Written beside its name and linked in place, because a link, unlike a rename, fails where
    there is a file; on a file system without links (FAT) it is created under its own name.
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
    if path.read_bytes() != content:
        raise OSError(errno.EIO, "it does not read back as it was written")


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


def refuse_over(path: Path, *, kind: str, force: bool, is_own: Callable[[Path], bool]) -> FileMark | None:
    """Return which file may be written over at ``path``: None where nothing stands there.

    Raises InputError if something does, unless it is of this ``kind`` and ``force`` tells to write over it.
    """
    mark = FileMark.of(path) if os.path.lexists(path) else None
    if mark is None:
        return None
    if is_own(path):
        if not force:
            raise about_file(
                path,
                f"there is {kind} of this name already; nothing was written",
                hint="--force writes over it; or name another file",
            )
        return mark
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
    over: dict[Path, FileMark | None] = {}
    for path in due:
        try:
            over[path] = refuse_over(path, kind=kind, force=force, is_own=is_own)
        except InputError as problem:
            complaints += problem.complaints
    if complaints:
        raise InputError(complaints)
    for path, content in due.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise unwritable(path, error) from error
        with whole_file(path, over=over[path]) as beside:
            beside.write_bytes(content)
    return list(contents)


def _holds(path: Path, content: bytes) -> bool:
    try:
        return path.is_file() and path.stat().st_size == len(content) and path.read_bytes() == content
    except OSError:
        return False


@contextmanager
def whole_file(path: Path, *, over: FileMark | None = None) -> Iterator[Path]:
    """Give a name beside ``path`` to write to, and put it in place afterwards, onto the disk. Raises InputError if that cannot be done.

    Nothing may stand at ``path`` by then but the file ``over``: what has come under the name while this was written stays.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            yield beside
            _sync(beside)
            _put_in_place(beside, path, over)
        finally:
            beside.unlink(missing_ok=True)
    except FileExistsError as error:
        raise about_file(path, _ANOTHER_CAME, hint="name another file") from error
    except OSError as error:
        raise unwritable(path, error) from error


def _put_in_place(beside: Path, path: Path, over: FileMark | None) -> None:
    """Give ``beside`` the name ``path``. FileExistsError where another file than ``over`` stands there."""
    if over is not None and FileMark.of(path) == over:
        beside.replace(path)  # no call of POSIX replaces one certain file: looked at just before
        return
    try:
        os.link(beside, path)  # a link, unlike a rename, fails where there is a file
    except FileExistsError:
        raise
    except OSError:  # a file system without links (FAT): the name is taken by an empty file of ours first
        _create(path, b"")
        beside.replace(path)


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def unwritable(path: Path, error: OSError) -> InputError:
    """Return the complaint that a file cannot be written."""
    return about_file(
        path,
        f"cannot be written: {error.strerror or error}",
        allowed="a file in a folder that exists and can be written, with room on the disk",
    )


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
