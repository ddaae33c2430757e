"""A time of day that is set while a run is measured: seen, and told apart from one that is led and from a machine that slept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sequencer.run.bench_health.time_of_day import RAN_ON, TimeOfDay
from sequencer.run.events import Warned

BEGAN_S = 1_800_000_000.0


class Clocks:
    """Two clocks of a machine, each moved by a test."""

    def __init__(self) -> None:
        self.shown_s, self.passed_s, self.late_s = BEGAN_S, 100.0, 0.0

    def pass_s(self, seconds: float, *, led: float = 0.0) -> None:
        """Let time pass, in which the time of day is led by so many seconds."""
        self.passed_s += seconds
        self.shown_s += seconds + led

    def passed(self) -> float:
        """Return the clock that nobody sets, and let the process stand still behind it."""
        found = self.passed_s
        self.pass_s(self.late_s)
        return found

    def watch(self) -> TimeOfDay:
        """Return what is tested, on these clocks."""
        return TimeOfDay(lambda: self.shown_s, self.passed)


@pytest.mark.parametrize(
    ("by_s", "told"), [(-7200.0, "back by 2.0 h"), (40.0, "forward by 40 s"), (-6.0, "back by 6.0 s")]
)
def test_a_clock_that_was_set_is_told_once(by_s: float, told: str) -> None:
    """With which way and how far; at the next look it runs on from there."""
    clocks = Clocks()
    watch = clocks.watch()
    clocks.pass_s(60.0)
    assert watch.set_meanwhile() == ""
    clocks.pass_s(10.0)
    clocks.shown_s += by_s
    assert f"was set {told}" in watch.set_meanwhile()
    clocks.pass_s(3600.0)
    assert watch.set_meanwhile() == ""


def test_a_clock_that_is_led_or_a_machine_that_slept_was_not_set() -> None:
    """A time server leads by half a millisecond in a second at most; both clocks go on while the machine sleeps."""
    clocks = Clocks()
    watch = clocks.watch()
    for _ in range(24):
        clocks.pass_s(3600.0, led=3600.0 * 0.0005)
        assert watch.set_meanwhile() == ""
    clocks.pass_s(9 * 3600.0)
    assert watch.set_meanwhile() == ""


def test_a_process_that_stands_still_between_two_looks_is_no_set_clock() -> None:
    """On a machine so busy that seconds pass between the reading of one clock and of the other."""
    clocks = Clocks()
    watch = clocks.watch()
    for late_s in (0.0, 30.0, 0.0, 12.0, 30.0):
        clocks.late_s = late_s
        assert watch.set_meanwhile() == ""


def test_a_run_says_it_and_keeps_it_beside_its_results(make_rig: Callable[..., Any]) -> None:
    """As a row of the bench, which decides nothing; a second time it is told and kept as well."""
    rig, clocks = make_rig(), Clocks()
    heard: list[str] = []

    def listen(event: Any) -> None:
        if isinstance(event, Warned):
            heard.append(event.text)
        elif type(event).__name__ == "CheckStarted" and event.index in (1, 2):
            clocks.shown_s -= 3600.0 * event.index

    undisturbed = rig.again().run()
    outcome = rig.run(listeners=[listen], time_of_day=clocks.watch())
    assert outcome.status is undisturbed.status
    said = [one for one in outcome.results if one.quantity == RAN_ON]
    assert [one.note.partition(" while")[0] for one in said] == [
        "the computer's clock was set back by 60 min",
        "the computer's clock was set back by 2.0 h",
    ]
    assert [f"warning: {one.note}" for one in said] == [one for one in heard if "clock" in one]
    assert [one.value for one in outcome.results if one.quantity != RAN_ON] == [
        one.value for one in undisturbed.results
    ]
