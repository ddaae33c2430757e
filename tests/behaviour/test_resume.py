"""Runs that were cut short are carried on: nothing finished is lost, halved or doubled, and what is measured again is said.

The processes are real and are killed with SIGKILL (signal(7): it cannot be caught) at lines of their journals. Every line of the
acceptance run and random times: tests/benchmarks/crash_table.py.
"""

from __future__ import annotations

import json
import os
import signal
from collections import Counter
from pathlib import Path

import pytest

from tests.support.crashed import RUN, SEQUENCE, Left, call, killed, left_in, lines_of

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="killed processes are forked")


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sequence, and an undisturbed run of it in `whole`."""
    folder = tmp_path_factory.mktemp("resume")
    (folder / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    done = call("run", str(folder / "short.yaml"), *RUN, "--folder", str(folder / "whole"))
    assert done.exit_code == 0, done.output
    return folder


@pytest.fixture(scope="module")
def whole(here: Path) -> Left:
    """What an undisturbed run leaves."""
    return left_in(here / "whole")


def _killed_at(here: Path, name: str, event: str, *, of: int = 0, before: bool = False) -> Path:
    """Return the folder of a run that was killed at the ``of``-th line of an ``event``, counted as the undisturbed run has them."""
    at = [line["number"] for line in lines_of(here / "whole") if line["event"] == event][of]
    folder = here / name
    words = ("run", str(here / "short.yaml"), *RUN, "--folder", str(folder))
    assert os.WTERMSIG(killed(words, lambda number: number == at, before=before)) == signal.SIGKILL
    return folder


@pytest.mark.parametrize(
    ("event", "of", "before"),
    [
        ("run", 0, False),
        ("confirmed", 0, False),
        ("PTT to be pressed", 0, False),
        ("check ended", 1, True),
        ("check ended", 1, False),
        ("entered", 0, False),
        ("check ended", 4, False),
        ("ended", 0, False),
    ],
)
def test_killed_anywhere_and_resumed_a_run_is_whole(
    here: Path, whole: Left, event: str, of: int, before: bool
) -> None:
    """Table and store hold each result of each check once, decided as in an undisturbed run; the run is done, and says it was resumed."""
    folder = _killed_at(here, f"{event}-{of}-{before}", event, of=of, before=before)
    cut = left_in(folder)
    assert cut.whole
    entered = any(line["event"] == "entered" for line in lines_of(folder))  # what was typed is kept
    again = () if entered else ("--entered", "idle current=120 mA")
    done = call("resume", "--confirmed", *again, "--folder", str(folder))
    assert done.exit_code == 0, done.output
    left = left_in(folder)
    assert left.measured == whole.measured
    assert Counter(one for one in left.table if one[0] != "confirm") == Counter(
        one for one in whole.table if one[0] != "confirm"
    )
    assert left.outcome == "done"
    assert set(cut.store) <= set(left.store)
    (run,) = json.loads(call("results", "--json", "--folder", str(folder)).stdout)
    assert len(run["resumed"]) == (0 if event == "ended" else 1)
