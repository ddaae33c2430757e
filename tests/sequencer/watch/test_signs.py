"""How long a bench has been silent does not rest on its own clock."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from sequencer.results.bench_now import BEAT_S, SILENT_S, BenchNow, Doing, Worked
from sequencer.watch.benches import BenchView, bench_views
from sequencer.watch.signs import Signs

WHO = Worked(id="a", bench="Bench 2", machine="north", process=1)
DOING = Doing(program="run", phase="measuring", told=datetime(2027, 1, 2, tzinfo=UTC))


class _World:
    """A server that looks, and a bench whose clock is ``off_s`` ahead of the server's; ``beats`` says whether it still gives signs."""

    def __init__(self, off_s: float) -> None:
        self.now_s = 1000.0
        self._off_s = off_s
        self._beat_s = self.now_s
        self._signs = Signs(lambda: self.now_s)

    def wait(self, seconds: float, *, beats: bool) -> BenchNow:
        """Let time pass, looking each second; returns what the last look found."""
        for _ in range(int(seconds)):
            self.now_s += 1.0
            if beats and self.now_s - self._beat_s >= BEAT_S:
                self._beat_s = self.now_s
            found = self.look()
        return found

    def look(self) -> BenchNow:
        stamped_s = self._beat_s + self._off_s
        now = BenchNow(
            worked=WHO, doing=DOING, ended=False, silent_s=self.now_s - stamped_s, beat_utc_s=stamped_s
        )
        (found,) = self._signs.aged([now])
        return found

    def view(self) -> BenchView:
        (found,) = bench_views([self.look()], date(2027, 1, 2), lambda run: "")
        return found


@pytest.mark.parametrize("off_s", [-86_400.0, -60.0, 0.0, 60.0, 86_400.0, 1e9])
def test_a_dead_bench_is_gone_and_a_live_one_is_not_whatever_its_clock_says(off_s: float) -> None:
    """Four beats without a sign, and no sooner; a clock that is far apart is named."""
    world = _World(off_s)
    assert not world.look().is_gone
    for _ in range(4):
        assert not world.wait(9, beats=True).is_gone
    assert not world.wait(SILENT_S - BEAT_S - 1.0, beats=False).is_gone
    assert bool(world.view().clock) == (off_s != 0.0)
    assert ("ahead of" in world.view().clock) == (off_s > 0.0)
    assert world.wait(BEAT_S + 2.0, beats=False).is_gone
    assert world.view().state == "No sign any more"


def test_a_bench_with_an_old_sign_is_waited_for_before_it_is_called_gone() -> None:
    """A server that has just begun cannot know whether a clock is behind or a bench is dead: it says so, and nothing is called safe."""
    world = _World(-300.0)
    found = world.view()
    assert (found.kind, found.state, found.safe) == ("awaited", "Its next sign is waited for", "not known")
    assert world.wait(SILENT_S + 1.0, beats=False).is_gone
    again = _World(-300.0)
    assert again.view().kind == "awaited"
    again.wait(BEAT_S + 1.0, beats=True)
    assert again.view().kind == "measuring"


def test_a_bench_that_died_while_nobody_looked_is_not_taken_for_alive() -> None:
    """Its last sign came within an hour in which no page was open: its age is counted by its clock, whose error is known."""
    world = _World(3600.0)
    world.wait(12, beats=True)
    world._beat_s += 30.0
    world.now_s += 3600.0
    assert world.look().is_gone
    one = replace(world.look(), ended=True)
    assert not one.is_gone
