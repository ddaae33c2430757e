"""Showing something that may have lost its reader (a pipe that was closed, a terminal that is gone) or go to a disk that is full.

What was measured, and how the bench was left, does not depend on who still reads; nor does the exit status.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TextIO

_NO_READER = (errno.EPIPE, errno.EIO)  # a closed pipe; a terminal that hung up


@dataclass(slots=True)
class Shown:
    """Whether all was taken: ``failed`` says why not, where there is somebody to miss it."""

    failed: str = ""


@contextlib.contextmanager
def reader_may_be_gone(stream: TextIO) -> Iterator[Shown]:
    """Show something on ``stream``; once its reader is gone, or nothing can be written any more, the rest goes nowhere."""
    shown = Shown()
    try:
        yield shown
        stream.flush()
    except OSError as error:
        if error.errno not in _NO_READER:
            shown.failed = error.strerror or str(error)
        into_nothing(stream)
    except SystemExit:  # rich ends the process with status 1 when a pipe is closed
        into_nothing(stream)


class _Unread(io.FileIO):
    """What a program shows: once nobody reads it any more, it goes nowhere, and the program does what it was called for."""

    def write(self, piece: Any, /) -> int:
        """Write; bytes for a reader that has gone count as written."""
        try:
            return super().write(piece)
        except BrokenPipeError:
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, self.fileno())
            os.close(nothing)
            return memoryview(piece).nbytes


def outlive_readers() -> None:
    """Let this process give the status that it has with a reader, also where standard output or error lose theirs.

    Without it click and rich end a command with status 1, which says that a limit failed.
    """
    sys.stdout = _without_reader(sys.stdout)
    sys.stderr = _without_reader(sys.stderr)


def _without_reader(stream: Any) -> Any:
    if (
        not isinstance(stream, io.TextIOWrapper) or stream.isatty()
    ):  # pythonw has none; a terminal hangs up otherwise
        return stream
    stream.flush()
    return io.TextIOWrapper(
        io.BufferedWriter(_Unread(stream.fileno(), "w", closefd=False)),
        encoding=stream.encoding,
        errors=stream.errors,
        line_buffering=stream.line_buffering,
        write_through=stream.write_through,
    )


def is_full(error: OSError) -> bool:
    """Say whether there was no room for what was written."""
    return error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def into_nothing(stream: TextIO) -> None:
    """Let what is still to be shown on ``stream`` go nowhere."""
    # What the stream still holds is flushed at the very end of the process; it would complain then.
    with contextlib.suppress(OSError, ValueError):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, stream.fileno())
        os.close(nothing)
