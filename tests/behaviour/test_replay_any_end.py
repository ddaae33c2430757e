"""A run that ended in whatever way, and one that was carried on after that, is gone through to the same results.

Single positions here; the sweep over many of them is tests/benchmarks/replay_campaign.py, whose figures stand in DEVELOPERS.md.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.trace import Direction
from sequencer.results.model import INTERRUPTED
from sequencer.run.replay.openings import openings
from sequencer.run.replay.replay import replay
from sequencer.run.replay.trace_file import read_trace
from sequencer.run.resuming.mark import NAMED, read_mark
from tests.support.crashed import call, killed
from tests.support.ended_runs import (
    SEQUENCE,
    SERIAL,
    SHARED_SECOND,
    EndedRun,
    fault_at,
    source_of,
    stopped_at,
    wrong_with,
)


@pytest.mark.parametrize(("kind", "number"), [("time-out", 700), ("garbage", 500), ("refused", 281)])
def test_a_fault_that_stayed_and_a_resume_replay_the_same(tmp_path: Path, kind: str, number: int) -> None:
    """What was not measured is held against that, and what was measured when it was carried on against the part that measured it."""
    run = EndedRun(tmp_path, fault_at(kind, number))
    assert run.is_left
    assert wrong_with(run.results) == ""
    assert run.resume() == 0
    assert wrong_with(run.results) == ""
    done = call("replay", "last", "--folder", str(run.results))
    assert (done.exit_code, "every message as it was" in done.output) == (0, True), done.output


def test_a_check_that_was_left_out_belongs_to_the_part_that_left_it_out(tmp_path: Path) -> None:
    """It has said nothing to any instrument there: "not measured" stands beside "not measured", in the first part."""
    run = EndedRun(tmp_path, fault_at("refused", 281))
    assert run.resume() == 0
    first, second = openings(run.source())
    assert {one.value for _, one in first.source.results if one.check == "sinad"} == {None}
    assert all(one.value is not None for _, one in second.source.results if one.check == "sinad")
    assert wrong_with(run.results) == ""


def test_a_bench_that_could_not_be_opened_at_first_is_no_hole(tmp_path: Path) -> None:
    """The first part opened three instruments and measured nothing: the run that was carried on replays to the same results."""
    run = EndedRun(tmp_path, fault_at("time-out", 40))
    assert run.outcome.results == ()
    assert wrong_with(run.results) == ""
    assert run.resume() == 0
    assert wrong_with(run.results) == ""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="killed processes are forked")
@pytest.mark.parametrize("times", [1, 2])
def test_a_run_that_was_killed_in_its_first_check_replays_what_it_left(tmp_path: Path, times: int) -> None:
    """Nothing of the part that was killed is in the store: nor is it missed, however often that happened."""
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    folder = tmp_path / "r"
    asked = ("--bench", "bench", "--serial", SERIAL, "--confirmed", "--folder", str(folder))
    run = ("run", str(tmp_path / "short.yaml"), *asked)
    assert os.WIFSIGNALED(killed(run, lambda number: number == 4))
    for _ in range(times - 1):
        (journal,) = folder.glob("*.journal")
        last = journal.read_bytes().count(b"\n")
        words = ("resume", "--confirmed", "--folder", str(folder))
        assert os.WIFSIGNALED(killed(words, lambda number, last=last: number >= last + 3))
    done = call("resume", "--confirmed", "--folder", str(folder))
    assert done.exit_code == 0, done.output
    assert wrong_with(folder) == ""


@pytest.mark.parametrize(("operation", "wait"), [(0, 2), (3, 0)])
def test_a_stop_in_a_shared_key_down_replays_what_was_proved(
    tmp_path: Path, operation: int, wait: int
) -> None:
    """Ctrl-C in the second check, between two messages (while it waits) and within one: the first check stands, and a resume goes on."""
    run = EndedRun(tmp_path, stopped_at(operation=operation, wait=wait, check=SHARED_SECOND))
    assert run.outcome.status.value == 4
    assert [one.check for one in run.outcome.results] == ["confirm", "frequency_error"]
    assert wrong_with(run.results) == ""
    assert run.resume() == 0
    assert wrong_with(run.results) == ""


def test_a_refused_connection_at_opening_replays_the_same(tmp_path: Path) -> None:
    """What was sent to an instrument that does not answer, on a connection of its own, is in the trace, and so is that it was refused."""
    run = EndedRun(tmp_path, fault_at("refused", 29))
    assert run.outcome.results == ()
    assert any(
        one.exchange.direction is Direction.OPENED and one.exchange.fault for one in run.source().entries
    )
    assert wrong_with(run.results) == ""


def test_the_trace_says_where_a_run_was_carried_on(tmp_path: Path) -> None:
    """When, how it had ended before, and which checks were left; so does the run in a file of its own, which replays as well."""
    run = EndedRun(tmp_path, stopped_at(operation=900))
    assert run.resume() == 0
    source = run.source()
    (mark,) = (found for one in source.entries if (found := read_mark(one.exchange)) is not None)
    assert mark.at in source.run.resumed
    assert mark.before.startswith(INTERRUPTED)
    assert mark.steps == {0, 3, 4}
    shown = call("trace", "last", "--instrument", NAMED, "--folder", str(run.results))
    assert "carried on; it had ended before: interrupted (SIGINT)" in shown.output
    file = tmp_path / "kept.json.gz"
    assert call("replay", "last", "--folder", str(run.results), "--as-test", str(file)).exit_code == 0
    assert replay(read_trace(file)).is_same
    assert len(openings(read_trace(file))) == 2


def test_a_trace_from_before_is_taken_apart_where_the_bench_is_opened(tmp_path: Path) -> None:
    """Without its mark a run that was carried on replays if each part opened the whole bench; else it is refused, and that says why."""
    whole = EndedRun(tmp_path / "whole", stopped_at(operation=900))
    assert whole.resume() == 0
    source = whole.source()
    plain = replace(source, entries=tuple(one for one in source.entries if read_mark(one.exchange) is None))
    assert replay(plain).is_same
    partly = EndedRun(tmp_path / "partly", fault_at("time-out", 40))
    assert partly.resume() == 0
    source = partly.source()
    plain = replace(source, entries=tuple(one for one in source.entries if read_mark(one.exchange) is None))
    with pytest.raises(Exception, match="its trace holds 1 whole openings of the bench"):
        replay(plain)


def test_a_departure_in_a_run_that_was_stopped_is_still_one(tmp_path: Path) -> None:
    """Another message in a check that had ended, and one before the first: neither passes for the place where the run was stopped."""
    run = EndedRun(tmp_path, stopped_at(operation=900))
    source = source_of(run.results)
    at = next(
        number
        for number, one in enumerate(source.entries)
        if one.check_index == 1 and b":READ?" in one.exchange.content
    )
    entries = list(source.entries)
    entries[at] = replace(entries[at], exchange=replace(entries[at].exchange, content=b":OTHER?\n"))
    replayed = replay(replace(source, entries=tuple(entries)))
    assert replayed.departure is not None
    assert replayed.departure.place == at + 1
    assert not replayed.is_same
