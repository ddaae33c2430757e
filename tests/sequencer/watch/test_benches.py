"""What is said of a bench: above all, whether its unit may be touched."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest

from sequencer.results.bench_now import SILENT_S, BenchNow, Calibrated, Doing, Worked
from sequencer.watch.benches import BenchView, bench_views, names_of, of_station

WHO = Worked(id="a", bench="Bench 2", machine="north", process=1, station="Line 1")
TOLD = datetime(2027, 1, 2, tzinfo=UTC)
DAY = date(2027, 1, 2)


def _now(*, ended: bool = False, silent_s: float = 1.0, who: Worked = WHO, **doing: Any) -> BenchNow:
    facts: dict[str, Any] = {"program": "run", "phase": "measuring", "told": TOLD, **doing}
    return BenchNow(worked=who, doing=Doing(**facts), ended=ended, silent_s=silent_s)


def _view(**facts: Any) -> BenchView:
    (found,) = bench_views([_now(**facts)], DAY, lambda run: "")
    return found


@pytest.mark.parametrize("phase", ["opening", "measuring", "waiting", "asking", "stopped", "ended"])
@pytest.mark.parametrize("silent_s", [0.0, SILENT_S + 1.0])
@pytest.mark.parametrize("safe", [None, False, True])
@pytest.mark.parametrize("ended", [False, True])
def test_safe_is_said_only_of_what_was_read_back(
    phase: Any, silent_s: float, safe: bool | None, ended: bool
) -> None:
    """In no state is a unit called safe unless the last word of its bench was that it was read back so."""
    found = _view(
        phase=phase, silent_s=silent_s, safe=safe, ended=ended, safe_why="The bench is safe: PTT released."
    )
    assert (found.safe == "safe") == (safe is True)
    assert (found.safe == "not safe") == (safe is False)
    if safe is None and found.kind == "gone":
        assert "remove its supply before you touch it" in found.safe_why
    if safe is None and found.kind in ("measuring", "opening"):
        assert (found.safe, found.safe_why) == ("in use", "The unit may be on the air. Do not touch it.")


def test_a_bench_that_fell_silent_is_not_told_as_working() -> None:
    """Killed in the middle of a check: no time left is given, and its state is that nothing is heard of it."""
    found = _view(silent_s=SILENT_S + 1.0, check="carrier power", number=2, checks=5, remaining_s=9.0)
    assert (found.kind, found.state, found.left) == ("gone", "No sign any more", "")
    assert found.step == "carrier power (2 of 5)"
    alive = _view(silent_s=SILENT_S - 1.0, check="carrier power", number=2, checks=5, remaining_s=9.0)
    assert (alive.kind, alive.state, alive.left) == ("measuring", "Measuring", "about 9 s left")


def test_calibrations_that_run_out_are_pointed_at() -> None:
    """Those overdue and those that run out within 30 days are all named; else the next; a date that is none is passed over."""
    due = {"a": "2027-01-01", "b": "2027-02-01", "c": "2027-02-02", "d": "2027-01-02", "e": "soon"}
    all_due = tuple(Calibrated(name=name, due=at) for name, at in due.items())
    marks = {one.text: one.mark for one in _view(calibrated=all_due).dues}
    assert marks == {"a": "overdue", "d": "soon", "b": "soon"}
    (later,) = _view(calibrated=(all_due[2], Calibrated(name="f", due="2028-01-01"))).dues
    assert (later.text, later.date, later.mark) == ("c", "2027-02-02", "")


def test_a_verdict_is_looked_up_of_a_run_that_is_over_only() -> None:
    """While a unit is measured the verdict of no earlier run stands beside it; what a station said itself is not looked up."""
    asked = []

    def verdict(run: str) -> str:
        asked.append(run)
        return "PASS"

    for facts in (
        {"phase": "measuring", "serial": "x", "run": "r1"},
        {"phase": "ended", "ended": True, "serial": "x", "run": "r2"},
        {"phase": "waiting", "serial": "x", "run": "r3", "verdict": "FAIL"},
        {"phase": "waiting"},
    ):
        bench_views([_now(**facts)], DAY, verdict)  # type: ignore[arg-type]
    assert asked == ["r2"]


def test_a_wall_screen_finds_its_station_and_a_bench_in_use_first() -> None:
    """By its station; or by a bench's own name, of which several may have been worked: the one that is worked now."""
    ended = _now(ended=True, phase="ended", who=replace(WHO, id="old", station=""))
    worked = _now(who=replace(WHO, id="new", station=""))
    other = _now(who=replace(WHO, id="other", bench="Bench 9"))
    views = bench_views([ended, other, worked], DAY, lambda run: "")
    assert [one.anchor for one in views] == ["bench-new", "bench-other", "bench-old"]
    by_bench = of_station(views, station="", bench="Bench 2")
    by_station = of_station(views, station="Line 1", bench="")
    assert by_bench is not None
    assert by_station is not None
    assert (by_bench.anchor, by_station.anchor) == ("bench-new", "bench-other")
    assert of_station(views, station="Line 8", bench="") is None


def test_a_bench_left_not_safe_stands_above_all_others_until_it_is_read_back() -> None:
    """Ended, and worked again by a session that has read nothing back: NOT SAFE, with the supply sentence and fault; then it is over."""
    who = replace(WHO, id="old")
    unsafe = {"phase": "ended", "safe": False, "safe_why": "PTT stays on.", "fault": "supply: no answer"}
    left = _now(ended=True, silent_s=900.0, who=who, **unsafe)
    other = _now(who=replace(WHO, id="z", bench="A bench"))
    shown = bench_views([other, left], DAY, lambda run: "")
    assert [(one.anchor, one.safe, one.is_worked) for one in shown] == [
        ("bench-old", "not safe", True),
        ("bench-z", "in use", True),
    ]
    assert "Remove the supply from the unit now" in shown[0].safe_why
    again = _now(who=replace(WHO, id="new", station=""))
    for now in (again, replace(again, ended=True)):
        first, *rest = bench_views([other, left, now], DAY, lambda run: "")
        assert (first.anchor, first.safe, first.doing.fault) == ("bench-new", "not safe", "supply: no answer")
        assert len(rest) == 1
    safe = _now(ended=True, phase="ended", safe=True, who=replace(WHO, id="new"))
    assert {one.safe for one in bench_views([left, safe], DAY, lambda run: "")} == {"safe"}


def test_a_killed_session_leaves_the_next_one_not_known_until_it_reads_back() -> None:
    """The next command ended before it read anything: what the killed one left is still not known."""
    killed = _now(silent_s=SILENT_S + 50.0)
    ended = _now(ended=True, phase="ended", who=replace(WHO, id="new"))
    (found,) = bench_views([killed, ended], DAY, lambda run: "")
    assert (found.anchor, found.safe) == ("bench-new", "not known")
    assert "Treat the unit as on the air" in found.safe_why


def test_a_wall_screen_takes_whatever_name_the_list_prints() -> None:
    """A machine or a station will do for a bench; a bench of that name comes first."""
    one = _now(who=replace(WHO, id="1", bench="Bench 1", machine="Bench 2", station="S"))
    two = _now(who=replace(WHO, id="2", bench="Bench 2", machine="west", station=""))
    views = bench_views([one, two], DAY, lambda run: "")
    found = {name: of_station(views, station="", bench=name) for name in ("Bench 2", "west", "S", "none")}
    assert {name: view and view.anchor for name, view in found.items()} == {
        "Bench 2": "bench-2", "west": "bench-2", "S": "bench-1", "none": None,
    }  # fmt: skip
    assert names_of(views) == ["Bench 1", "Bench 2", "S", "west"]
