"""Showing something that may have lost its reader: a pipe that was closed, a terminal that is gone.

What was measured, and how the bench was left, does not depend on who still reads; nor does the exit status.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from typing import TextIO

_NO_READER = (errno.EPIPE, errno.EIO)  # a closed pipe; a terminal that hung up


@contextlib.contextmanager
def reader_may_be_gone(stream: TextIO) -> Iterator[None]:
    """Show something on ``stream``; once its reader is gone, what is still to be shown there goes nowhere."""
    try:
        yield
        stream.flush()
    except OSError as error:
        if error.errno not in _NO_READER:
            raise
        _into_nothing(stream)
    except SystemExit:  # rich ends the process with status 1 when a pipe is closed
        _into_nothing(stream)


def _into_nothing(stream: TextIO) -> None:
    # What the stream still holds is flushed at the very end of the process; it would complain then.
    with contextlib.suppress(OSError, ValueError):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, stream.fileno())
        os.close(nothing)
