"""Adjusting at a real pseudo-terminal: the live screen is drawn and taken down, its keys turn and keep, and Ctrl-C leaves a safe bench."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import struct
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.person_at_terminal import ROOT

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed"),
    pytest.mark.slow,  # each run is a process of its own, which starts the screen's
]
SEQUENCE = """
sequence: Adjust power
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: adjust, preset: power, of: carrier_power, channel: 20, turn: RV4, to: 3.8 W, within: 0.3 W}
"""
UP, ENTER = b"\x1b[A", b"\r"
MOST_S = 60.0
LINES, COLUMNS = 20, 60


class AtTerminal:
    """A run at a pseudo-terminal of 60 columns, the least, whatever COLUMNS says; ``text`` is all that was written there."""

    def __init__(self, folder: Path, term: str) -> None:
        import fcntl
        import termios

        (folder / "adjust.yaml").write_text(SEQUENCE, encoding="utf-8")
        words = [
            "run",
            str(folder / "adjust.yaml"),
            "--bench",
            "bench",
            "--serial",
            "M40-0031",
            "--folder",
            str(folder),
        ]
        self.text = ""
        self.child, self.terminal = pty.fork()
        if self.child == 0:
            os.chdir(ROOT)
            signal.signal(signal.SIGINT, signal.SIG_DFL)
            size = struct.pack("HHHH", LINES, COLUMNS, 0, 0)
            fcntl.ioctl(0, termios.TIOCSWINSZ, size)
            kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
            environment = {**kept, "TERM": term, "NO_COLOR": "1", "COLUMNS": "80", "LINES": "24"}
            os.execvpe(sys.executable, [sys.executable, "-m", "sequencer", *words], environment)
        fcntl.ioctl(self.terminal, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))
        self.modes = termios.tcgetattr(self.terminal)[3]

    def wait_for(self, pattern: str, *, then: bytes = b"") -> None:
        """Read until ``pattern`` stands in what was written since the last time, then type."""
        since, until_s = len(self.text), time.monotonic() + MOST_S
        while not re.search(pattern, self.text[since:], re.DOTALL):
            assert time.monotonic() < until_s, f"no {pattern!r} in {self.text[since:]!r}"
            assert self._more(), self.text[-2000:]
        os.write(self.terminal, then)

    def _more(self) -> bool:
        if not select.select([self.terminal], [], [], 0.2)[0]:
            return True
        try:
            more = os.read(self.terminal, 65536)
        except OSError:
            return False
        self.text += more.decode("utf-8", "replace")
        return bool(more)

    def end(self) -> int:
        """Read to the end and return the exit status."""
        until_s = time.monotonic() + MOST_S
        while time.monotonic() < until_s and self._more():
            pass
        return os.waitstatus_to_exitcode(os.waitpid(self.child, 0)[1])


@pytest.fixture(params=["xterm-256color"])
def run(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[AtTerminal]:
    """A run that adjusts the power, at the caution."""
    one = AtTerminal(tmp_path, request.param)
    yield one
    os.close(one.terminal)
    try:
        if os.waitpid(one.child, os.WNOHANG) == (0, 0):
            os.kill(one.child, signal.SIGKILL)
            os.waitpid(one.child, 0)
    except ChildProcessError:
        pass


def drawn(run: AtTerminal) -> list[str]:
    """Return each piece that the live screen has written without moving the cursor, as far as it has come."""
    screen = run.text.split("\x1b[?1049h", 1)[1].split("\x1b[?1049l", 1)[0]
    pieces = re.split(r"\x1b\[\d*(?:;\d*)?H|\r?\n", screen)
    return [re.sub(r"\x1b\[[0-9;?<>=$]*[A-Za-z]|\x1b[P\]_].*?(?:\x1b\\|\x07)", "", one) for one in pieces]


def test_the_caution_and_the_bar_stand_whole_on_a_screen_of_60_columns(run: AtTerminal) -> None:
    """Nothing is written beyond the terminal's own edge, where its end would be lost; nor are lines below the last."""
    run.wait_for("CAUTION.*Ctrl-C ends", then=ENTER)
    assert "non-metallic tool." in " ".join(drawn(run))
    run.wait_for("Without a key", then=b"\x03")
    run.end()
    assert max(len(one.rstrip()) for one in drawn(run)) <= COLUMNS
    rows = [int(one) for one in re.findall(r"\x1b\[(\d+);\d+H", run.text)]
    assert max(rows) <= LINES


def is_as_it_was(run: AtTerminal) -> bool:
    """Say whether the alternate screen was left and the cursor shown, after they were taken."""
    return all(
        run.text.rfind(off) > run.text.rfind(on) >= 0
        for on, off in (("\x1b[?1049h", "\x1b[?1049l"), ("\x1b[?25l", "\x1b[?25h"))
    )


def test_a_preset_is_turned_by_keys_and_kept(run: AtTerminal) -> None:
    """Caution, Enter, turns by the arrow key until it says so, Enter: as found and as left, and the terminal as it was."""
    run.wait_for("CAUTION.*Ctrl-C ends", then=ENTER)
    run.wait_for("TOO.*LOW", then=UP)
    for _ in range(20):
        run.wait_for("TOO|IN.*THE.*BAND|steady|moving|PTT|TRANSMITTING", then=UP)
        if "BAND" in run.text:
            break
    os.write(run.terminal, ENTER)
    run.wait_for("power: kept after")
    assert run.end() in (0, 1)
    assert "as left" in run.text or "time to adjust power" in run.text
    assert "The bench is safe: PTT released, generator off, supply off, each read back." in " ".join(
        run.text.split()
    )
    assert "witness" not in run.text
    assert "Traceback" not in run.text
    assert is_as_it_was(run)


@pytest.mark.parametrize("signalled", [False, True], ids=["key", "signal"])
def test_ctrl_c_on_the_live_screen_leaves_the_bench_safe(run: AtTerminal, signalled: bool) -> None:
    """The key, and the signal itself, with the unit keyed and the terminal the screen's: unkeyed, confirmed, status 4."""
    run.wait_for("CAUTION.*Ctrl-C ends", then=ENTER)
    run.wait_for("TRANSMITTING", then=b"" if signalled else b"\x03")
    if signalled:
        os.kill(run.child, signal.SIGINT)
    assert run.end() == 4, run.text[-1500:]
    assert "The bench is safe: PTT released, generator off, supply off, each read back." in " ".join(
        run.text.split()
    )
    assert "witness" not in run.text
    assert "Traceback" not in run.text
    assert is_as_it_was(run)


@pytest.mark.parametrize("run", ["dumb"], indirect=True)
def test_where_no_screen_can_be_drawn_it_is_plain_lines(run: AtTerminal) -> None:
    """A terminal that cannot move its cursor has the caution, a line a second, and typed answers; no escape code."""
    run.wait_for("CAUTION.*Type . or - to turn", then=b"\n")
    run.wait_for("power 2.*TOO LOW.*TRANSMITTING", then=b"s\n")
    run.wait_for("power: skipped")
    run.end()
    assert "\x1b[?1049h" not in run.text
    assert "The bench is safe" in run.text
