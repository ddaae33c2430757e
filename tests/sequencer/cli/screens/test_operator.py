"""The person at the terminal, on a real pseudo-terminal: lines, ends, time limits, and what was typed too early."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sequencer.cli.screens.operator import Countdown, TerminalPerson, wrapped
from sequencer.run.interrupt import Interrupted, stoppable
from sequencer.run.series.stop_file import SAID, StopFile, stop_at_questions

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed")


class Screen:
    """Remembers when it was cleared away and shown again."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def pause(self) -> None:
        """Be cleared away."""
        self.said.append("pause")

    def resume(self) -> None:
        """Be shown again."""
        self.said.append("resume")


class Watched(TerminalPerson):
    """Says when it begins to listen: what is typed from then on is an answer."""

    def __init__(self, screen: Screen, descriptor: int) -> None:
        super().__init__(screen, descriptor=descriptor)
        self.listens = threading.Event()

    def _drop_typed_ahead(self) -> None:
        super()._drop_typed_ahead()
        self.listens.set()


class Terminal:
    """A pseudo-terminal: ``type`` is what the keyboard sends, ``soon`` the same once the question listens."""

    def __init__(self) -> None:
        self.ours, self.theirs = os.openpty()
        self.screen = Screen()
        self.person = Watched(self.screen, self.theirs)
        self._typists: list[threading.Thread] = []

    def type(self, content: bytes) -> None:
        """Send from the keyboard."""
        os.write(self.ours, content)

    def soon(self, *steps: Callable[[], object] | bytes) -> None:
        """Send, or do, one step after the other once the question listens."""

        def work() -> None:
            self.person.listens.wait(10.0)
            for step in steps:
                self.type(step) if isinstance(step, bytes) else step()

        self._typists.append(threading.Thread(target=work))
        self._typists[-1].start()

    def close(self) -> None:
        """Let the typists end, and close both ends."""
        for typist in self._typists:
            typist.join()
        os.close(self.ours)
        os.close(self.theirs)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    """Yield an open pseudo-terminal."""
    one = Terminal()
    yield one
    one.close()


@contextmanager
def being_stopped() -> Iterator[None]:
    """A run that was interrupted once and now makes its bench safe."""
    with stoppable() as stopper:
        with pytest.raises(Interrupted):
            signal.raise_signal(signal.SIGINT)
        with stopper.held():
            yield


def test_a_line_is_an_answer_and_the_screen_makes_room(terminal, capsys):
    """The question goes to standard error, the line comes back without its end, the screen is paused meanwhile."""
    terminal.soon(b"12.5 dB\n")
    assert terminal.person.ask("Read SINAD: ") == "12.5 dB"
    assert terminal.screen.said == ["pause", "resume"]
    assert capsys.readouterr().err == "Read SINAD: "


def test_what_was_typed_before_the_question_is_no_answer(terminal):
    """A "done" that was typed ahead does not answer the safety question that comes next."""
    terminal.type(b"done\ndone\n")
    time.sleep(0.02)
    terminal.soon(b"cannot\n")
    assert terminal.person.ask("SAFETY: ") == "cannot"


def test_the_end_of_input_and_a_terminal_that_is_gone_are_none(terminal):
    """Ctrl-D on an empty line, and a terminal whose other end is closed, are the end of input."""
    terminal.soon(b"\x04")
    assert terminal.person.ask("Read: ") is None
    ours, theirs = os.openpty()
    os.close(ours)
    assert TerminalPerson(Screen(), descriptor=theirs).ask("Read: ") is None
    os.close(theirs)


def test_nobody_answers_in_time(terminal):
    """A question with a limit ends with TimeoutError, half a line or not, and the screen comes back."""
    terminal.soon(b"12.")
    with pytest.raises(TimeoutError):
        terminal.person.ask("Read: ", within_s=0.15)
    assert terminal.screen.said == ["pause", "resume"]


@pytest.mark.parametrize("typed", [b"\xff\xfe\n", b"\x1b[31m\n", b"x" * 3000 + b"\n", b"\x00\n"])
def test_bytes_that_are_no_text_are_still_a_line(terminal, typed):
    """Whatever comes from a keyboard is handed on as text for the question to refuse."""
    terminal.soon(typed)
    assert isinstance(terminal.person.ask("Read: "), str)


def test_stop_is_ctrl_c(terminal):
    """The first "stop" interrupts the run; a later one, while the bench is made safe, is only counted."""
    with stoppable() as stopper:
        with pytest.raises(Interrupted):
            terminal.person.stop("'stop' was typed")
        terminal.person.stop("'stop' was typed")
        assert stopper.requests == 2


def test_a_question_that_stands_while_the_run_is_stopped_is_shown_again(terminal, capsys):
    """Ctrl-C at a safety question is told that the run is being stopped already, and the question stands."""
    with being_stopped():
        shown_again_s = 0.5  # it looks every 0.2 s
        terminal.soon(
            lambda: signal.raise_signal(signal.SIGINT), lambda: time.sleep(shown_again_s), b"done\n"
        )
        assert terminal.person.ask("SAFETY: ") == "done"
    assert "The run is being stopped already.\nSAFETY: " in capsys.readouterr().err


def test_a_run_that_is_stopped_does_not_wait_for_ever(terminal, monkeypatch):
    """Once the run is being stopped a question without a limit has one: SIGTERM may come to a terminal that nobody sits at."""
    monkeypatch.setattr("sequencer.cli.screens.operator.STOPPING_ANSWER_S", 0.3)
    with being_stopped(), pytest.raises(TimeoutError, match=r"0\.3 s"):
        terminal.person.ask("SAFETY: ")


QUESTION = (
    "(THE UNIT IS TRANSMITTING: 10 s to answer) Select channel 20 on the unit. Tune the modulation analyser to 27.205 MHz. "
    "Then read the carrier frequency on the modulation analyser, in MHz: "
)


@pytest.mark.parametrize("width", [40, 60, 80, 132])
def test_questions_are_wrapped_at_words(width: int) -> None:
    """At any width: no line reaches the edge, no word is broken, and the place for the answer stays."""
    shown = wrapped(f"  'x' is not a number. Allowed: a number in MHz.\n{QUESTION}", width)
    assert max(map(len, shown.split("\n"))) <= width
    assert shown.split() == f"'x' is not a number. Allowed: a number in MHz. {QUESTION}".split()
    assert shown.endswith(": ")
    assert "\n(THE UNIT" in shown  # the question has a line of its own


def test_the_seconds_left_are_counted_down_in_place(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each second the number where it stands, the cursor put back; nothing on a terminal that cannot move it."""
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    shown = wrapped(QUESTION, 60)
    counting = Countdown(shown)
    for passed_s in (0.2, 0.9, 1.1, 1.9, 9.5):
        counting.show(passed_s)
    up = shown.count("\n")
    said = "\x1b7\x1b[{}A\r(THE UNIT IS TRANSMITTING: {} s to answer)\x1b8"
    assert capsys.readouterr().err == said.format(up, " 9") + said.format(up, " 1")
    monkeypatch.setenv("TERM", "dumb")
    Countdown(shown).show(5.0)
    assert capsys.readouterr().err == ""


def test_a_stop_file_is_seen_while_a_question_waits(tmp_path: Path) -> None:
    """Nobody answers, and the file appears: the question is given up as by a signal, in the name of the file."""
    reading, writing = os.pipe()
    file = StopFile(tmp_path / "stop")
    try:
        with stoppable() as stopper:
            stop_at_questions(file, stopper)
            person = TerminalPerson(descriptor=reading)
            os.write(writing, b"yes\n")
            assert person.ask("Is it there? ") == "yes"
            file.path.touch()
            with pytest.raises(Interrupted):
                person.ask("Is anybody there? ")
            assert stopper.signal_name == SAID
    finally:
        os.close(reading)
        os.close(writing)
