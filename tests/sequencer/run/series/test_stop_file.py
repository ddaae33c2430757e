"""The file whose appearance ends a series: when it is looked for, and what it then does."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from sequencer.problems import InputError
from sequencer.run.events import CheckEnded, RunStarted
from sequencer.run.interrupt import Interrupted, Stopper
from sequencer.run.series.stop_file import SAID, StopBetweenChecks, StopFile, stop_at_questions


def _begun(checks: int) -> RunStarted:
    return RunStarted(
        run="r",
        time=datetime(2026, 11, 27, tzinfo=UTC),
        serial="M40-0007",
        model="M40",
        sequence="Short",
        bench="Bench",
        simulated=True,
        checks=checks,
        forecast_s=1.0,
    )


ENDED = CheckEnded(index=0, label="carrier power", results=(), bench_s=1.0, remaining_s=1.0)


def test_one_that_is_there_before_anything_began_is_refused_by_name(tmp_path: Path) -> None:
    """It may be an old one; without it nothing is said. A link that leads nowhere is there too."""
    file = StopFile(tmp_path / "stop")
    file.refuse_old()
    assert not file.is_there()
    file.path.symlink_to(tmp_path / "nowhere")
    assert file.is_there()
    with pytest.raises(InputError, match="stop is there already, so that nothing was begun"):
        file.refuse_old()
    assert not StopFile(tmp_path / "no folder" / "stop").is_there()


def test_between_checks_it_asks_the_run_to_stop_but_not_after_the_last(tmp_path: Path) -> None:
    """Three checks: nothing before the file is there, then once; after the last check the run ends by itself."""
    file, stopper = StopFile(tmp_path / "stop"), Stopper()
    listener = StopBetweenChecks(file, stopper)
    listener(_begun(3))
    listener(ENDED)
    assert stopper.requests == 0
    file.path.touch()
    listener(ENDED)
    assert (stopper.requests, stopper.signal_name) == (1, SAID)
    listener(ENDED)
    assert stopper.requests == 1

    last = Stopper()
    listener = StopBetweenChecks(file, last)
    listener(_begun(1))
    listener(ENDED)
    assert last.requests == 0


def test_what_was_asked_already_is_not_asked_again_in_its_name(tmp_path: Path) -> None:
    """A signal came first: the run stops by that, and is asked once."""
    file, stopper = StopFile(tmp_path / "stop"), Stopper()
    file.path.touch()
    stopper.ask("SIGINT")
    listener = StopBetweenChecks(file, stopper)
    listener(_begun(3))
    listener(ENDED)
    assert (stopper.requests, stopper.signal_name) == (1, "SIGINT")


def test_while_a_question_waits_it_interrupts_at_once_and_only_if_it_is_there(tmp_path: Path) -> None:
    """The look itself raises, so that whoever waits for an answer gives up."""
    file, stopper = StopFile(tmp_path / "stop"), Stopper()
    stop_at_questions(file, stopper)
    stopper.look()
    assert stopper.requests == 0
    file.path.touch()
    with pytest.raises(Interrupted, match=SAID):
        stopper.look()
    assert stopper.requests == 1
