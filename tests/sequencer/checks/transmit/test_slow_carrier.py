"""A transmitter that comes up slowly after PTT: what is recorded of it is the steady carrier, and comes to what a quick one comes to."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from sequencer.results.model import Result
from sim.instruments import recorder
from sim.instruments.modulation_analyser import ModulationAnalyser
from sim.scpi.device import Later
from tests.support.keyed_units import run as run_vhf
from tests.support.rig import Rig
from tests.support.spectral import BENCH, results, run

UNITS = BENCH.resolve().parent / "units"
CHECKS = (
    "check: signalling_sent, channel: 20, tone: 88.5 Hz",
    "check: adjacent_channel_power, channel: 20, drive: 10 mV, read: samples",
    "check: occupied_bandwidth, channel: 20, drive: 10 mV, read: samples",
)


def measured(folder: Path, keying: str, *checks: str) -> dict[str, Result]:
    """Return what a unit that sends a tone below speech is found to do, where it comes up as ``keying`` says."""
    shutil.copytree(UNITS, folder / "units")
    file = folder / "units" / "m40-0071.yaml"
    file.write_text(file.read_text(encoding="utf-8") + keying, encoding="utf-8")
    rig = run(folder, "M40-0071", *checks, **{str(UNITS): str(folder / "units")})
    return dict(results(rig))


@cache
def of_a_quick_one() -> dict[str, Result]:
    """Return what the same unit is found to do whose carrier stands at once."""
    with TemporaryDirectory() as folder:
        return measured(Path(folder), "", *CHECKS)


@pytest.mark.parametrize(
    "keying",
    [
        "keying: {delay: 30 ms}",
        "keying: {delay: 200 ms, rise: 20 ms}",
        "keying: {delay: 10 ms, rise: 300 ms}",
        "keying: {delay: 10 ms, short: 6 dB, creep: 150 ms}",
    ],
)
def test_what_is_recorded_of_a_slow_one_is_what_a_quick_one_gives(tmp_path: Path, keying: str) -> None:
    """Late, rising slowly, or creeping up: each figure lies within U of the quick unit's, and none is missing."""
    slow, quick = measured(tmp_path, keying, *CHECKS), of_a_quick_one()
    assert set(slow) == set(quick)
    for quantity, one in slow.items():
        assert one.value is not None, f"{quantity}: {one.note}"
        assert one.value == pytest.approx(quick[quantity].value, abs=quick[quantity].uncertainty), quantity


def test_one_that_never_comes_to_its_power_is_not_measured(tmp_path: Path) -> None:
    """Rising for four seconds: three recordings after another lack power at their beginning, and the message says for how long."""
    found = measured(tmp_path, "keying: {delay: 5 ms, rise: 4 s}", CHECKS[0])
    one = found["sub-audible tone"]
    assert one.value is None
    assert "the carrier was still coming up in 3 recordings after another" in one.note
    assert "time_to_power" in one.note


def slowed(monkeypatch: pytest.MonkeyPatch, share: float) -> None:
    """Have the analyser take so many times as long as the interval that it reads back says."""
    monkeypatch.setattr(recorder, "Later", lambda seconds, then: Later(seconds * share, then))


@pytest.mark.parametrize("check", CHECKS)
def test_an_analyser_that_samples_slower_than_it_reads_back_states_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, check: str
) -> None:
    """A quarter slower: every frequency counted in samples would be a fifth low; two recordings' ends show it before PTT is pressed."""
    slowed(monkeypatch, 1.25)
    found = measured(tmp_path, "", check)
    assert {one.value for one in found.values()} == {None}
    said = next(iter(found.values())).note
    assert "a recording that reads 300 ms longer than another was over 375 ms later" in said


def test_an_analyser_that_is_slow_beside_recording_is_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It works for 0.3 s after each recording, however long that was: its samples lie where it says."""
    monkeypatch.setattr(recorder, "Later", lambda seconds, then: Later(seconds + 0.3, then))
    one = measured(tmp_path, "", CHECKS[0])["sub-audible tone"]
    assert one.value == pytest.approx(88.5, abs=one.uncertainty)


def stretched(monkeypatch: pytest.MonkeyPatch, share: float) -> None:
    """Have the samples of the analyser lie so many times as far apart as it reads back; a recording takes as much longer."""
    slowed(monkeypatch, share)
    record: Callable[..., Any] = ModulationAnalyser.record
    monkeypatch.setattr(
        ModulationAnalyser, "record", lambda self, count, rate_hz: record(self, count, rate_hz / share)
    )


@pytest.mark.parametrize("share", [1.01, 1.03, 1.06])
@pytest.mark.parametrize("check", CHECKS[1:])
def test_an_interval_that_is_a_little_wrong_is_shown_by_the_tone_that_drives_the_unit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, check: str, share: float
) -> None:
    """The end of a recording tells no 5 %; a tone comes out so much off, and every band's edge would be."""
    stretched(monkeypatch, share)
    found = measured(tmp_path, "", check)
    assert {one.value for one in found.values()} == {None}
    for one in found.values():
        said = re.search(r"is driven with (\d+) Hz and its samples show (\d+) Hz", one.note)
        assert said is not None, one.note
        assert float(said[2]) == pytest.approx(float(said[1]) * share, abs=2.0)


@pytest.mark.parametrize("check", CHECKS[1:])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_interval_that_is_right_is_shown_too(tmp_path: Path, check: str, seed: int) -> None:
    """Through an analyser that records only while it is asked nothing else tells; the tone does, and nothing rests on its word."""
    found = results(_only_while_asked(tmp_path, check, seed=seed))
    for one in found.values():
        assert one.value is not None, one.note
        assert "rests on the analyser's word" not in one.note


def _only_while_asked(folder: Path, check: str, *, seed: int = 1) -> Rig:
    profile = folder / "analyser.yaml"
    profile.write_text(
        "profile: made\nrole: modulation_analyser\nlike: scpi-1999\nlacks: [begin_recording]\n",
        encoding="utf-8",
    )
    at = "192.0.2.13::5025::SOCKET\n"
    changes = {str(UNITS): str(folder / "units"), at: f"{at}    profile: {profile}\n"}
    shutil.copytree(UNITS, folder / "units")
    return run(folder, "M40-0071", check, seed=seed, **changes)


def test_an_analyser_that_records_only_while_it_is_asked_is_taken_at_its_word_and_that_is_said(
    tmp_path: Path,
) -> None:
    """Without `begin_recording` nothing tells when a recording of an undriven unit was over: a figure, and what it rests on."""
    found = results(_only_while_asked(tmp_path, CHECKS[0]))
    for one in found.values():
        assert one.value is not None, one.note
        assert "rests on the analyser's word: it records only while it is asked" in one.note


def test_the_windows_of_a_transient_are_not_stated_by_a_slow_analyser(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A quarter slower: of its recordings none is over when it should be, and what lies in 5 ms lies in 6.25 ms."""
    slowed(monkeypatch, 1.25)
    rig = run_vhf(tmp_path, "V5-0351", "check: transient, channel: 5")
    kept = [one for some in rig.record.kept.values() for one in some]
    assert {one.value for one in kept} == {None}
    assert "later than its length says" in kept[0].note


def test_a_power_before_ptt_is_said_and_passes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A radio by whose own word the order came 20 ms later than it acted: the power stood before it, which no transmitter does."""
    from sequencer.safety.control.key import Key

    order = Key._order

    def late(self: Key, give: Callable[[], None]) -> None:
        order(self, give)
        assert self.ordered_s is not None
        self.ordered_s = (self.ordered_s[0] + 0.02, self.ordered_s[1] + 0.02)

    monkeypatch.setattr(Key, "_order", late)
    rig = run_vhf(tmp_path, "V5-0351", "check: time_to_power, channel: 5, limit: {max: 25 ms}")
    ((one,),) = rig.record.kept.values()
    assert one.value is None
    assert "ms or more before PTT was ordered: it is no answer to PTT" in one.note
