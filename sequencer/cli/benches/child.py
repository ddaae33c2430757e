"""A command in a process of its own, with a session of its own: Ctrl-C at the terminal reaches it only as its parent hands it on.

It is forked from the parent, which has imported what it needs: a run's start costs a fifth of the processor time so, and sixteen at once
would keep two cores busy for ten seconds otherwise [measured]. The parent has no thread, so that a fork holds no lock.
"""

from __future__ import annotations

import os
import runpy
import signal
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress

LONGEST = 1 << 20
_GIVEN_BACK = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP")


class Child:
    """A process of ``sequencer WORDS`` that is under way.

    ``out`` and ``err`` are what it writes, to be read once they are ready; ``status`` is None until it ends, and negative where a signal
    ended it.
    """

    def __init__(self, words: Sequence[str]) -> None:
        self.status: int | None = None
        into, self._into = os.pipe()
        self.out, out = os.pipe()
        self.err, err = os.pipe()
        self._held = {self.out: b"", self.err: b""}
        self._process: subprocess.Popen[bytes] | None = None
        if hasattr(os, "fork"):
            self.number = _forked(words, into, out, err)
        else:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "sequencer", *words], stdin=into, stdout=out, stderr=err
            )
            self.number = self._process.pid
        for one in (into, out, err):
            os.close(one)

    def read_lines(self, descriptor: int) -> list[str] | None:
        """Return the lines that have come on ``out`` or ``err``; None at its end."""
        try:
            more = os.read(descriptor, 1 << 16)
        except OSError:
            more = b""
        if not more:
            rest, self._held[descriptor] = self._held[descriptor], b""
            return [rest.decode("utf-8", "replace")] if rest else None
        *lines, self._held[descriptor] = (self._held[descriptor] + more).split(b"\n")
        if len(self._held[descriptor]) > LONGEST:
            self._held[descriptor] = b""
        return [line.decode("utf-8", "replace") for line in lines]

    def answer(self, line: str) -> None:
        """Write a line to its standard input; nothing where it has gone."""
        with suppress(OSError):
            os.write(self._into, line.encode("utf-8") + b"\n")

    def signal(self, number: int) -> None:
        """Send it a signal, unless it has ended."""
        if self.status is None:
            with suppress(ProcessLookupError):
                os.kill(self.number, number)

    def look(self) -> int | None:
        """Return its exit status where it has ended, and do not wait."""
        if self.status is None:
            if self._process is not None:
                self.status = self._process.poll()
            else:
                ended, raw = os.waitpid(self.number, os.WNOHANG)
                self.status = os.waitstatus_to_exitcode(raw) if ended else None
        return self.status

    def close(self) -> None:
        """Let go of its pipes."""
        for one in (self._into, self.out, self.err):
            os.close(one)


def _forked(words: Sequence[str], into: int, out: int, err: int) -> int:
    sys.stdout.flush()
    sys.stderr.flush()
    if child := os.fork():
        return child
    status = 70
    try:
        status = _run(words, into, out, err)
    finally:
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):
                stream.flush()
        os._exit(status)


def _run(words: Sequence[str], into: int, out: int, err: int) -> int:
    """Be the command, in the child; return its exit status."""
    os.setsid()
    for number, descriptor in enumerate((into, out, err)):
        os.dup2(descriptor, number)
    os.closerange(3, os.sysconf("SC_OPEN_MAX") if os.sysconf("SC_OPEN_MAX") < 65536 else 65536)
    for name in _GIVEN_BACK:
        signal.signal(
            getattr(signal, name), signal.default_int_handler if name == "SIGINT" else signal.SIG_DFL
        )
    sys.stdin, sys.stdout, sys.stderr = (
        open(number, mode, encoding="utf-8", errors="replace", closefd=False, buffering=1)  # noqa: SIM115
        for number, mode in ((0, "r"), (1, "w"), (2, "w"))
    )
    sys.argv = ["sequencer", *words]
    try:
        runpy.run_module("sequencer", run_name="__main__")
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    return 0
