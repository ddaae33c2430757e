"""A command at a pseudo-terminal of its own, of any size: what it writes is read and put on a screen, and keys are typed."""

from __future__ import annotations

import codecs
import os
import pty
import re
import select
import signal
import struct
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress

from tests.support.person_at_terminal import ROOT
from tests.support.terminal_screen import TerminalScreen

MOST_S = 60.0


class AtTerminal:
    """`sequencer WORDS` at a terminal of ``lines`` and ``columns``, whatever COLUMNS says; ``text`` is all that was written there."""

    def __init__(
        self, words: Sequence[str], *, term: str = "xterm-256color", lines: int = 20, columns: int = 60
    ) -> None:
        import fcntl
        import termios

        self._size, self._set = termios.TIOCSWINSZ, fcntl.ioctl
        self.text = ""
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self.screen = TerminalScreen(lines=lines, columns=columns)
        size = struct.pack("HHHH", lines, columns, 0, 0)
        self.child, self.terminal = pty.fork()
        if self.child == 0:
            os.chdir(ROOT)
            signal.signal(signal.SIGINT, signal.SIG_DFL)
            fcntl.ioctl(0, termios.TIOCSWINSZ, size)
            kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
            environment = {**kept, "TERM": term, "NO_COLOR": "1", "COLUMNS": "80", "LINES": "24"}
            os.execvpe(sys.executable, [sys.executable, "-m", "sequencer", *words], environment)
        fcntl.ioctl(self.terminal, termios.TIOCSWINSZ, size)
        self.modes = termios.tcgetattr(self.terminal)[3]

    def resize(self, *, lines: int, columns: int) -> None:
        """Have the terminal another size; who owns it is told by the system."""
        self.screen.resize(lines=lines, columns=columns)
        self._set(self.terminal, self._size, struct.pack("HHHH", lines, columns, 0, 0))

    def type(self, keys: bytes) -> None:
        """Type keys."""
        os.write(self.terminal, keys)

    def wait_for(self, pattern: str, *, then: bytes = b"") -> None:
        """Read until ``pattern`` stands in what was written since the last time, then type."""
        since, until_s = len(self.text), time.monotonic() + MOST_S
        while not re.search(pattern, self.text[since:], re.DOTALL):
            assert time.monotonic() < until_s, f"no {pattern!r} in {self.text[since:]!r}"
            assert self.more(), self.text[-2000:]
        os.write(self.terminal, then)

    def wait_until(self, stands: Callable[[str], bool], *, most_s: float = MOST_S) -> None:
        """Read until what stands on the screen satisfies ``stands``."""
        until_s = time.monotonic() + most_s
        while not stands(self.screen.text):
            assert time.monotonic() < until_s, self.screen.text
            assert self.more(), self.text[-2000:]

    def more(self) -> bool:
        """Read what was written by now, or within a fifth of a second; return False where nothing will come any more."""
        if not select.select([self.terminal], [], [], 0.2)[0]:
            return True
        try:
            more = os.read(self.terminal, 65536)
        except OSError:
            return False
        written = self._decoder.decode(more)
        self.text += written
        self.screen.feed(written)
        return bool(more)

    def end(self) -> int:
        """Read to the end and return the exit status."""
        until_s = time.monotonic() + MOST_S
        while time.monotonic() < until_s and self.more():
            pass
        return os.waitstatus_to_exitcode(os.waitpid(self.child, 0)[1])

    def close(self) -> None:
        """Let go of the terminal, and end the command where it still runs."""
        with suppress(OSError):
            os.close(self.terminal)
        with suppress(ChildProcessError):
            if os.waitpid(self.child, os.WNOHANG) == (0, 0):
                os.kill(self.child, signal.SIGKILL)
                os.waitpid(self.child, 0)
