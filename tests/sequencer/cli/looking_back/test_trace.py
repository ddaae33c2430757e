"""The trace on the screen: columns with heads, filters by instrument and fault, and what was sent again."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from drivers.trace import Direction, Exchange
from sequencer.analysis.trace import sent_again
from sequencer.cli.main import main
from sequencer.results.store.store import Store
from sim.scpi.faults import Fault, FaultKind
from tests.support.stored_results import RUN, a_result

OTHER = b":SENSe:FREQuency:CW 2.7205E+7\n"
READ = b":READ?\n"


def _exchange(
    way: Direction, content: bytes = b"", *, instrument: str = "power_meter", fault: str = ""
) -> Exchange:
    return Exchange(time_s=1.25, instrument=instrument, direction=way, content=content, fault=fault)


TIMED_OUT = (
    _exchange(Direction.OPENED),
    _exchange(Direction.SENT, OTHER),
    _exchange(Direction.SENT, READ),
    _exchange(Direction.RECEIVED, fault="no answer within 2 s"),
    _exchange(Direction.SENT, READ, instrument="voltmeter"),
    _exchange(Direction.RECEIVED, b"+1.0\n", instrument="voltmeter"),
    _exchange(Direction.CLOSED),
    _exchange(Direction.OPENED),
    _exchange(Direction.SENT, OTHER),
    _exchange(Direction.SENT, READ),
    _exchange(Direction.RECEIVED, b"-10.0\n"),
    _exchange(Direction.SENT, READ),
)  # fmt: skip


def test_what_went_to_the_same_instrument_after_its_fault_is_sent_again() -> None:
    """Once only, and neither what another instrument was asked nor what had been answered."""
    assert sent_again(TIMED_OUT) == ({9}, {2, 3, 9})
    assert sent_again([]) == (set(), set())


def test_a_real_time_out_is_followed_by_its_message_again(make_rig: Callable[..., Any]) -> None:
    """A power meter that owes one answer: the run's own exchanges hold the reading a second time, and it is found."""
    rig = make_rig()
    rig.inject("power_meter", Fault(kind=FaultKind.TIMEOUT, match="READ"))
    rig.run()
    again, about = sent_again(rig.record.said)
    assert any("READ" in rig.record.said[at].content.decode().upper() for at in again)
    assert any(rig.record.said[at].fault for at in about)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder whose store holds one run with a time-out of its power meter."""
    with Store.open(tmp_path / "results.sqlite") as store:
        store.write_run(RUN)
        store.write_check(RUN.run, 0, [a_result()], TIMED_OUT)
        store.write_end(RUN.run, outcome="done", bench_safe=True, bench_s=1.0)
    return tmp_path


def _lines(folder: Path, *words: str) -> list[str]:
    done = CliRunner().invoke(main, ["trace", "last", "--folder", str(folder), *words])
    assert done.exit_code == 0, done.output
    return done.stdout.splitlines()


def test_columns_have_heads_that_stand_above_them(folder: Path) -> None:
    """The first line names the columns; each begins where its column does."""
    head, *lines = _lines(folder)
    assert head.split() == ["step", "time", "instrument", "way", "message"]
    assert len(lines) == len(TIMED_OUT)
    for line in lines:
        assert line[head.index("instrument") :].startswith(("power_meter", "voltmeter"))
        assert line[head.index("way") :].startswith(("opened", "sent", "received", "closed"))
    assert lines[9][head.index("message") :] == "AGAIN :READ?\\n"


def test_filters_leave_what_was_asked_for(folder: Path) -> None:
    """By instrument, one or several; by fault, with its message before and again; both together."""
    assert len(_lines(folder, "--instrument", "voltmeter")) == 1 + 2
    assert len(_lines(folder, "--instrument", "voltmeter", "--instrument", "power_meter")) == 1 + len(
        TIMED_OUT
    )
    asked, fault, again = _lines(folder, "--faults")[1:]
    assert (":READ?" in asked, "FAULT no answer within 2 s" in fault, "AGAIN :READ?" in again) == (True,) * 3
    assert _lines(folder, "--faults", "--instrument", "voltmeter") == []
    found = [json.loads(line) for line in _lines(folder, "--faults", "--json")]
    assert [one["again"] for one in found] == [False, False, True]


def test_an_instrument_that_took_no_part_is_refused_with_the_nearest(folder: Path) -> None:
    """Status 2, who there is, and what was meant."""
    done = CliRunner().invoke(main, ["trace", "last", "--folder", str(folder), "--instrument", "voltmetre"])
    assert done.exit_code == 2
    assert "exchanged nothing with 'voltmetre'" in done.stderr
    assert "did you mean 'voltmeter'?" in done.stderr
