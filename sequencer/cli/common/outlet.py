"""Showing something that may have lost its reader (a pipe that was closed, a terminal that is gone) or go to a disk that is full.

What was measured, and how the bench was left, does not depend on who still reads; nor does the exit status.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TextIO

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
