"""Another user of the machine, for tests that run as root."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

NOBODY = 65534
two_users = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="two users: only root can become another"
)


def as_nobody(act: Callable[[], object]) -> str:
    """Do something as another user of the machine, in a process of its own; return "" or what was raised."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        said = ""
        try:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            act()
        except BaseException as error:
            said = f"{type(error).__name__}: {error}"
        os.write(writing, said.encode())
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as answer:
        said = answer.read()
    os.waitpid(child, 0)
    return said
