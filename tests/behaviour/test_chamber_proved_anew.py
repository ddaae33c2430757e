"""A chamber that stands hot as a run begins is proved by that run: after `resume`, in a later run of a series, and at a station.

What was seen by a process that is gone, by an earlier run or for the unit before says nothing of what the chamber answers now.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.planning import parts
from sim.bench import SimulatedBench
from sim.climate import Climate
from tests.support.crashed import killed
from tests.support.person_at_terminal import ROOT

SERIAL, ASKED_C = "M40-0081", 40.0
RESET_C = 23.0
"""What `*RST` sets the simulated chamber to."""
SEQUENCE = (
    "sequence: Hot\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nrated_supply: {min: 8 V, max: 16 V}\n"
    "rated_temperature: {min: -10 degC, max: 55 degC}\nchecks:\n"
    "  - {check: carrier_power, channel: 20, at: {temperature: [40 degC]}, limit: {min: 3 W, max: 6 W}}\n"
    "  - {check: frequency_error, channel: 20, at: {temperature: [40 degC]}, limit: {within: 600 Hz}}\n"
)
BENCH = ROOT / "sim" / "chamber-bench.yaml"
CHAMBER = "TCPIP0::192.0.2.21::5025::SOCKET"
FOUND_OUT = "answers with its setting"
Makes = Callable[[int, Any], None]
AS = pytest.mark.parametrize("echoes", [False, True], ids=["air", "its setting"])


class Opened:
    """The benches of a test in the order in which they were opened; ``make`` is done to the chamber of each, counted from 0."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.chambers: list[Any] = []
        self.make: Makes = lambda number, chamber: None
        simulate = parts.simulate

        def opened(*arguments: Any, **options: Any) -> SimulatedBench:
            bench = simulate(*arguments, **options)
            chamber: Any = bench.devices[CHAMBER]
            self.make(len(self.chambers), chamber)
            self.chambers.append(chamber)
            return bench

        monkeypatch.setattr(parts, "simulate", opened)


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> Opened:
    """Count the benches that are opened."""
    return Opened(monkeypatch)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the sequence, to stand in."""
    (tmp_path / "hot.yaml").write_text(SEQUENCE, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _stand_hot(chamber: Any, *, echoes: bool) -> None:
    """Let it run at the temperature that will be asked for; one that ``echoes`` answers with its setting, which a reset leaves."""
    now_s = chamber.clock.now_s()
    chamber.climate = chamber.wiring.unit.climate = Climate(now_s=now_s, room_c=ASKED_C)
    chamber.set_c, chamber.running = ASKED_C, True
    chamber.climate.head_for(ASKED_C, now_s, air_s=150.0)
    shown = [ASKED_C]

    def echo(now_s: float) -> float:
        if chamber.set_c != RESET_C:
            shown[0] = chamber.set_c
        return shown[0]

    if echoes:
        chamber.climate.air_c = echo


def _values(plain: dict[str, Any]) -> list[float | None]:
    return [one["value"] for one in plain["results"] if one["check"] in ("carrier_power", "frequency_error")]


def _read(stdout: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in stdout.splitlines()]


def _is_found_out(plain: dict[str, Any]) -> bool:
    """Say whether nothing was measured, each result says why, and the last line does not tell its air as a fact."""
    missed = [one for one in plain["results"] if one["check"] in ("carrier_power", "frequency_error")]
    said = plain["last_line"].replace("What the chamber's air reads is not known", "")
    return (
        bool(missed)
        and all(one["value"] is None and FOUND_OUT in one["note"] for one in missed)
        and "air reads" not in said
    )


@pytest.mark.skipif(not hasattr(os, "fork"), reason="killed processes are forked")
@AS
def test_after_resume_it_is_proved_by_the_run_that_goes_on(
    here: Path, opened: Opened, *, echoes: bool
) -> None:
    """Killed after the first result at 40 °C, with the chamber left running there: it is sent aside before the second is measured."""
    words = ("run", "hot.yaml", "--bench", str(BENCH), "--serial", SERIAL, "--folder", str(here / "results"))
    ended: list[int] = []

    def first_ended(number: int) -> bool:
        (journal,) = (here / "results").glob("*.journal")
        lines = [json.loads(one) for one in journal.read_text(encoding="utf-8").splitlines()]
        ended[:] = [one["number"] for one in lines if one["event"] == "check ended"]
        return bool(ended)

    assert os.WTERMSIG(killed(words, first_ended)) == signal.SIGKILL
    opened.make = lambda number, chamber: _stand_hot(chamber, echoes=echoes)
    done = CliRunner().invoke(main, ["resume", "--folder", str(here / "results"), "--json"])
    plain = json.loads(done.stdout)
    power, error = _values(plain)
    assert power is not None, "it was measured before, by air that was seen to follow"
    assert (error is None) == echoes
    assert done.exit_code == (3 if echoes else 0), done.output
    doubts = [one["note"] for one in plain["results"] if one["check"] == "bench_health"]
    assert (
        any("what was measured at 40 °C before stands on the same reading" in one for one in doubts) == echoes
    )


@AS
def test_in_the_second_run_of_a_series_it_is_proved_again(
    here: Path, opened: Opened, *, echoes: bool
) -> None:
    """The first run saw its air follow; the second finds it where it is wanted, and believes nothing of the first."""

    def make(number: int, chamber: Any) -> None:
        if number > 0:
            _stand_hot(chamber, echoes=echoes)

    opened.make = make
    words = ["run", "hot.yaml", "--bench", str(BENCH), "--serial", SERIAL, "--repeat", "2", "--json"]
    done = CliRunner().invoke(main, words)
    first, *later = _read(done.stdout)  # a run that its bench spoilt is tried again
    assert None not in _values(first)
    assert later
    assert all(_is_found_out(one) == echoes and (None in _values(one)) == echoes for one in later)
    assert done.exit_code == (3 if echoes else 0), done.output


@AS
def test_a_station_that_is_opened_again_proves_it_again(here: Path, opened: Opened, *, echoes: bool) -> None:
    """Two positions, each its own bench file: the first is closed for the second, and opened again for the third unit."""
    file = BENCH.read_text(encoding="utf-8").replace("unit: units ", f"unit: {ROOT / 'sim' / 'units'} ")
    for side in ("left", "right"):
        (here / f"{side}.yaml").write_text(
            file.replace("bench: Demonstration bench, chamber", f"bench: Fixture {side}"), encoding="utf-8"
        )
    (here / "units.csv").write_text(
        "serial,position\nM40-0081,left.yaml\nM40-0007,right.yaml\nM40-0018,left.yaml\n", encoding="utf-8"
    )

    def make(number: int, chamber: Any) -> None:
        if number == 2:
            _stand_hot(chamber, echoes=echoes)

    opened.make = make
    words = ["line", "hot.yaml", "--bench", "left.yaml", "--units", "units.csv", "--auto", "--json"]
    done = CliRunner().invoke(main, words)
    *before, third = _read(done.stdout)
    assert len(opened.chambers) >= 3
    assert [one["serial"] for one in before] == ["M40-0081", "M40-0007"], done.output
    assert all(None not in _values(one) for one in before)
    assert _is_found_out(third) == echoes
    assert (None in _values(third)) == echoes


@AS
def test_a_station_that_stays_open_proves_it_for_each_unit(
    here: Path, opened: Opened, *, echoes: bool
) -> None:
    """Stopped after the first unit it reads its setting from then on, which is what the second is to be measured at."""

    def make(number: int, chamber: Any) -> None:
        head_for = chamber.climate.head_for

        def headed(target_c: float, now_s: float, *, air_s: float) -> None:
            was_running = chamber.climate._target_c == ASKED_C
            head_for(target_c, now_s, air_s=air_s)
            if was_running and not chamber.running and echoes:
                chamber.climate.air_c = lambda now_s: chamber.set_c

        chamber.climate.head_for = headed

    opened.make = make
    words = ["line", "hot.yaml", "--bench", str(BENCH), "--json"]
    done = CliRunner().invoke(main, words, input="M40-0081\nM40-0007\n")
    first, second = _read(done.stdout)
    assert len(opened.chambers) == 1, "it stayed open"
    assert None not in _values(first)
    assert _is_found_out(second) == echoes
    assert (None in _values(second)) == echoes
