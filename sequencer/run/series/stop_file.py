"""The file whose appearance ends a series: whoever may write to its folder stops the bench without knowing a process."""

from __future__ import annotations

from pathlib import Path

from sequencer.frozen import dataclass
from sequencer.problems import InputError, option_problem
from sequencer.run.events import CheckEnded, Event, RunStarted
from sequencer.run.interrupt import Stopper

STOP_NAME = "stop"
"""What it is called in the results folder, where none is named."""
SAID = "stop file"
"""What a run that it stops says in a signal's place."""


@dataclass(frozen=True, slots=True)
class StopFile:
    """The file at ``path``; what it holds does not matter."""

    path: Path

    def is_there(self) -> bool:
        """Say whether it stands there; a folder that cannot be read says no."""
        try:
            self.path.lstat()
        except OSError:
            return False
        return True

    def refuse_old(self) -> None:
        """Raise InputError where it stands there before anything began."""
        if self.is_there():
            raise _old(self.path)


def stop_at_questions(file: StopFile, stopper: Stopper) -> None:
    """Have the file looked at while a person is waited for: who is to answer may have gone home. The question is then given up."""

    def look() -> None:
        if file.is_there():
            stopper.ask(SAID)
            stopper.raise_asked()

    stopper.look = look


class StopBetweenChecks:
    """Listens to a run, and asks it to stop once a check has ended and the file is there; not after the last check."""

    def __init__(self, file: StopFile, stopper: Stopper) -> None:
        self._file = file
        self._stopper = stopper
        self._left = 0

    def __call__(self, event: Event) -> None:
        """Take one event of the run."""
        match event:
            case RunStarted():
                self._left = event.checks
            case CheckEnded():
                self._left -= 1
                if self._left > 0 and not self._stopper.requests and self._file.is_there():
                    self._stopper.ask(SAID)


def _old(path: Path) -> InputError:
    return option_problem(
        "--stop-file",
        f"{path} is there already, so that nothing was begun",
        allowed="a file that is not there before it is to stop the runs",
        hint="see who put it there and why; then remove it, or name another with --stop-file",
    )
