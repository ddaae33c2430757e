"""The results folder of a run, made where it is not there, and what is said where it cannot be written."""

from __future__ import annotations

import errno
from contextlib import ExitStack, suppress
from pathlib import Path

from sequencer.problems import FileProblems, about_file


def make_folder(folder: Path, undo: ExitStack) -> None:
    """Create ``folder`` with all above it; ``undo`` learns to remove what was not there before."""
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    for one in reversed(missing):
        one.mkdir(exist_ok=True)
        undo.callback(_remove_empty, one)
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "this is a file, not a folder", str(folder))


def _remove_empty(folder: Path) -> None:
    with suppress(OSError):  # somebody else has put something there meanwhile
        folder.rmdir()


def remove_if_empty(path: Path) -> None:
    """Remove a file that nobody has written to."""
    with suppress(OSError):
        if path.stat().st_size == 0:
            path.unlink()


def unwritable(folder: Path, error: OSError) -> FileProblems:
    """Return the complaint that results cannot be written to ``folder``."""
    return about_file(
        folder,
        f"results cannot be written here: {error.strerror or error}",
        allowed="a folder that can be written",
        hint="name another with --folder",
    )


def why_not(error: OSError) -> str:
    """Return why something could not be written, and where to look."""
    advice = {
        errno.EACCES: "Check who may write to that folder.",
        errno.EPERM: "Check who may write to that folder.",
        errno.EROFS: "That disk can only be read: check how it is mounted, and whether it has failed.",
    }
    return f"{error.strerror or error}. {advice.get(error.errno or 0, 'Check the free space.')}"
