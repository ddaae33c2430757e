"""What is said of a bench: above all, whether its unit may be touched."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest

from sequencer.results.bench_now import SILENT_S, BenchNow, Calibrated, Doing, Worked
from sequencer.watch.benches import BenchView, bench_views, of_station

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
    assert (found.safe == "not safe") == (safe is False and found.kind != "gone")
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
