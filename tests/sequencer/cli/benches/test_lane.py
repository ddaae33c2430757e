"""One bench of several: what is made of each line that its process says, of its silence and of its end; and the exit status of all."""

from __future__ import annotations

import json
import os
from collections import deque
from collections.abc import Mapping
from typing import Any

import pytest

from sequencer.cli.benches.child import Child
from sequencer.cli.benches.lane import Asked, Lane, worst
from sequencer.inputs.lists.unit_list import ListedUnit


def _lane(*runs: Mapping[str, Any]) -> Lane:
    statuses = [one["status"] for one in runs]
    return Lane(
        name="Bench",
        line=2,
        words=(),
        units=deque(),
        manual=False,
        runs=[dict(one) for one in runs],
        statuses=statuses,
    )


@pytest.mark.parametrize(
    ("first", "second", "status"),
    [
        ((0, True), (1, True), 1),
        ((4, True), (3, True), 4),
        ((4, True), (3, False), 3),
        ((4, False), (0, True), 4),
    ],
    ids=["failed", "interrupted", "may be on", "nothing was sent"],
)
def test_the_status_of_all_is_the_highest_but_a_bench_that_may_be_on_comes_first(
    first: tuple[int, bool], second: tuple[int, bool], status: int
) -> None:
    """A run that was interrupted before it sent anything knows of no safe bench, and left none on."""
    lanes = [_lane({"status": ended, "bench_safe": safe}) for ended, safe in (first, second)]
    assert worst(lanes) == status


def test_of_no_run_it_was_interrupted() -> None:
    """Where nothing ran nothing passed."""
    assert worst([_lane()]) == 4


def _under_way(*said: Mapping[str, Any]) -> Lane:
    """Return a lane whose process has said this so far; no process stands behind it, for a lane asks nothing of it here."""
    lane = _lane()
    lane.unit, lane.child = ListedUnit(serial="M40-0007", line=2), Child.__new__(Child)
    for one in said:
        lane.take(json.dumps(one))
    return lane


STARTED = {"event": "started", "run": "R1", "checks": 3}
ENDED = {
    "event": "run",
    "serial": "M40-0007",
    "status": 0,
    "bench_safe": True,
    "verdict": "passed",
    "problems": ["one thing"],
    "last_line": "kept as R1",
}


def test_a_run_is_told_from_its_beginning_to_its_end() -> None:
    """Which check of how many, by the order in which they began: one that is made again keeps its place."""
    lane = _under_way()
    assert (lane.serial, lane.place) == ("M40-0007", "")
    assert lane.take(json.dumps(STARTED)) == ["M40-0007: run R1 begins"]
    assert (lane.state, lane.place) == ("opens the bench", "")
    lane.take('{"event": "check", "index": 4, "label": "power\\u001b", "left_s": 12.5}')
    assert (lane.state, lane.label, lane.place, lane.left_s) == ("measures", "power\\x1b", "1 of 3", 12.5)
    assert lane.told_s == lane.heard_s
    lane.take('{"event": "step", "text": "reading\\u001b"}')
    assert lane.step == "reading\\x1b"
    lane.take('{"event": "check", "index": 2, "label": "deviation"}')
    assert (lane.step, lane.place) == ("", "2 of 3")
    lane.take('{"event": "check", "index": 4, "label": "power"}')
    assert lane.place == "2 of 3"
    lane.take('{"event": "fault", "instrument": "meter"}')
    assert lane.step == "fault: meter"
    assert lane.take(json.dumps(ENDED)) == []
    assert lane.state == "ends"
    assert lane.runs == [{name: cell for name, cell in ENDED.items() if name != "event"}]


def test_a_result_is_told_in_a_few_words() -> None:
    """What it is and where, what was found, how it was decided; what has no unit is told without a figure and is not the last one."""
    lane = _under_way(STARTED, {"event": "check", "index": 0, "label": "sensitivity"})
    found = {
        "event": "result",
        "quantity": "sensitivity",
        "channel": 20,
        "value": -120.107129,
        "unit": "dBm",
        "decision": "pass",
    }
    assert lane.take(json.dumps(found)) == ["M40-0007: 1 of 3  sensitivity, ch 20  \u2212120.1 dBm  pass"]
    assert lane.last == "sensitivity, ch 20  \u2212120.1 dBm  pass"
    asked = {
        "event": "result",
        "quantity": "volume",
        "channel": None,
        "value": 1.0,
        "unit": "",
        "decision": "no limit",
    }
    assert lane.take(json.dumps(asked)) == ["M40-0007: 1 of 3  volume  no limit"]
    lost = {
        "event": "result",
        "quantity": "power",
        "channel": 0,
        "value": None,
        "unit": "W",
        "decision": "not measured",
    }
    assert lane.take(json.dumps(lost))[0].endswith("power, ch 0  not measured")
    assert lane.last == "power, ch 0  not measured"


def test_what_is_no_event_is_kept_as_it_stands() -> None:
    """A library's word on standard output, and JSON that is another thing: none ends the screen, and none says that the bench lives."""
    lane = _under_way()
    for line in ("Traceback \x1b", '{"left_s": 3}', "[1, 2]", "3"):
        assert lane.take(line) == []
    assert list(lane.said) == ["Traceback \\x1b", '{"left_s": 3}', "[1, 2]", "3"]
    assert (lane.heard_s, lane.left_s) == (0.0, 0.0)
    assert lane.take('{"event": "of a later version", "left_s": 7}') == []
    assert lane.left_s == 7.0
    assert lane.heard_s > 0.0


def test_a_question_waits_until_it_is_over() -> None:
    """Its number goes back with the answer; meanwhile the bench asks, and is not silent."""
    lane = _under_way(STARTED, {"event": "question", "text": "leads on?", "asked": 5})
    assert lane.question == Asked(lane=lane, text="leads on?", number=5)
    assert lane.state == "asks"
    assert lane.silent_s(lane.heard_s + 1000.0) == 0.0
    lane.take('{"event": "question_over"}')
    assert (lane.question, lane.state) == (None, "measures")


def test_silence_is_told_after_what_is_left_of_a_long_wait() -> None:
    """Half a minute without a word; where two minutes were left when it last said so, half a minute after those."""
    lane = _under_way()
    lane.heard_s = lane.told_s = 100.0
    assert (lane.silent_s(130.0), lane.silent_s(130.5)) == (0.0, 30.5)
    lane.left_s = 120.0
    assert (lane.silent_s(250.0), lane.silent_s(250.5)) == (0.0, 150.5)
    lane.heard_s = 120.0  # a word since, without a forecast: 100 s are left of the two minutes
    assert (lane.silent_s(250.0), lane.silent_s(250.5)) == (0.0, 130.5)
    lane.heard_s = 300.0  # the two minutes are over
    assert (lane.silent_s(330.0), lane.silent_s(330.5)) == (0.0, 30.5)
    lane.child = None
    assert lane.silent_s(1000.0) == 0.0


@pytest.mark.parametrize(
    ("status", "state"),
    [
        (0, "passed"),
        (1, "limits not met"),
        (2, "could not begin"),
        (3, "bench failed"),
        (4, "interrupted"),
        (5, "store busy"),
    ],
)
def test_an_end_with_a_run_is_told_with_what_was_wrong(status: int, state: str) -> None:
    """Verdict, problems and the last line; where it is not sure that all is off the last line stays on the screen."""
    lane = _under_way(STARTED, {**ENDED, "status": status})
    assert lane.ended(status) == ["M40-0007: passed", "one thing", "kept as R1"]
    assert (lane.state, lane.statuses, lane.troubles, lane.child) == (state, [status], [], None)
    lane = _under_way(STARTED, {**ENDED, "bench_safe": False}, {"event": "warned", "text": "late\x1b"})
    assert lane.ended(status)[-1] == "kept as R1"
    assert lane.troubles == ["late\\x1b", "kept as R1"]


def test_a_process_that_was_killed_leaves_a_bench_of_which_nothing_is_known() -> None:
    """Whatever it had said before, its status is that of a bench that failed, and somebody is told to take the supply off first."""
    lane = _under_way(STARTED, ENDED, {"event": "check", "index": 0, "label": "power", "left_s": 9})
    (told,) = lane.ended(-9)
    assert told.startswith(
        "M40-0007: its process was ended by SIGKILL. How the bench is left is not known: remove the supply"
    )
    assert (lane.state, lane.statuses, lane.troubles, lane.left_s) == ("killed (SIGKILL)", [3], [told], 0.0)


def test_an_end_without_a_run_is_told_by_its_own_words() -> None:
    """Its first six lines that are not empty; of one that said nothing the status. A run of the unit before is not this one's."""
    lane = _under_way({**ENDED, "serial": "M40-0001"})
    lane.said.extend(["", *"abcdefg"])
    assert lane.ended(2) == ["M40-0007: a", "b", "c", "d", "e", "f"]
    assert lane.troubles == ["M40-0007: a", "b", "c", "d", "e", "f"]
    assert (lane.state, lane.statuses) == ("could not begin", [2])
    for status in (6, 77):  # no word is known for either
        silent = _under_way()
        assert silent.ended(status) == [f"M40-0007: ended with status {status} and said nothing"]
        assert silent.state == f"ended with status {status}"
    assert _under_way().ended(0) == ["M40-0007: ended with status 0 and said nothing"]


def test_a_unit_begins_with_nothing_left_of_the_one_before() -> None:
    """Its process is asked for that unit, and for its model where the list names one; what the last one said is not this one's."""
    lane = _under_way(
        STARTED, {"event": "check", "index": 0, "label": "power"}, {"event": "step", "text": "reads"}
    )
    lane.last, lane.words = "power  3.7 W  pass", ("run", "--help")
    lane.said.append("a word of the last one")
    lane.begin(ListedUnit(serial="M40-0008", line=3, model="M40"))
    child = lane.child
    assert child is not None
    while child.read_lines(child.out) is not None:
        pass
    assert os.waitpid(child.number, 0)[1] == 0
    child.close()
    assert (lane.serial, lane.state, lane.place, lane.label, lane.step, lane.last) == (
        "M40-0008",
        "starts",
        "",
        "",
        "",
        "",
    )
    assert list(lane.said) == []
    assert lane.heard_s == lane.told_s > 0.0
    assert not lane.is_over
