"""A fault that stays ends a run, or leaves a check not measured; once it is mended, `resume` makes the run whole."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.planning import parts as bench_parts_module
from sim.scpi.faults import Fault, FaultKind
from tests.support.crashed import RUN, SEQUENCE, call, left_in, lines_of

ADDRESSES = {
    "radio": "TCPIP0::192.0.2.18::5025::SOCKET",
    "switch": "TCPIP0::192.0.2.17::5025::SOCKET",
    "modulation_analyser": "TCPIP0::192.0.2.13::5025::SOCKET",
    "audio_analyser": "TCPIP0::192.0.2.14::5025::SOCKET",
}


@pytest.fixture
def with_fault(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, Fault], Any]:
    """Give a fault to one instrument of every bench that is simulated within the context."""

    def within(role: str, fault: Fault) -> Any:
        make = bench_parts_module.simulate

        def broken(*arguments: Any, **options: Any) -> Any:
            bench = make(*arguments, **options)
            bench.devices[ADDRESSES[role]].faults.add(fault)
            return bench

        context = pytest.MonkeyPatch.context()
        patch = context.__enter__()
        patch.setattr(bench_parts_module, "simulate", broken)
        return context

    return within


@pytest.mark.parametrize(
    ("role", "fault", "outcome"),
    [
        ("modulation_analyser", Fault(kind=FaultKind.TIMEOUT, match="READ", times=None), "done"),
        ("switch", Fault(kind=FaultKind.DISCONNECT, skip=14, times=None), "done"),
        ("radio", Fault(kind=FaultKind.DISCONNECT, skip=20, times=None), "stopped"),
        ("audio_analyser", Fault(kind=FaultKind.GARBAGE, match="*IDN?", times=None), "the bench failed"),
    ],
    ids=["not measured", "a dead switch", "a dead key line", "not opened"],
)
def test_what_a_staying_fault_left_is_measured_once_it_is_mended(
    tmp_path: Path, with_fault: Callable[[str, Fault], Any], role: str, fault: Fault, outcome: str
) -> None:
    """Nothing finished is lost; table and store hold what an undisturbed run holds, and the exit status is that of one."""
    file = tmp_path / "short.yaml"
    file.write_text(SEQUENCE, encoding="utf-8")
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    assert call("run", str(file), *RUN, "--folder", str(whole)).exit_code == 0
    context = with_fault(role, fault)
    try:
        failed = call("run", str(file), *RUN, "--folder", str(cut))
    finally:
        context.__exit__(None, None, None)
    assert failed.exit_code == 3, failed.output
    before = left_in(cut)
    assert outcome in before.outcome
    entered = any(line["event"] == "entered" for line in lines_of(cut))  # what was typed is kept
    again = () if entered else ("--entered", "idle current=120 mA")
    done = call("resume", "--confirmed", *again, "--folder", str(cut))
    assert done.exit_code == 0, done.output
    left = left_in(cut)
    assert left.outcome == "done"
    assert left.measured == left_in(whole).measured
    finished = [one for one in before.measured if one[4] != "not measured"]
    assert [one for one in finished if one not in left.measured] == []
