"""Signalling that a unit sends: which, how strong, and by whose fault there is none. Truth stands in the specimens' files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.problems import FileProblems
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.spectral import results, run

TONE = "check: signalling_sent, channel: 20, tone: 88.5 Hz, deviation: {min: 250 Hz, max: 500 Hz}"
CODE = "check: signalling_sent, channel: 20, code: D023N, deviation: {min: 250 Hz, max: 500 Hz}"
DUAL = "check: signalling_sent, channel: 20, tones: [770 Hz, 1209 Hz], deviation: {min: 500 Hz}, twist: {min: -4 dB, max: 4 dB}"
WRONG_BITS = "digital code, bits that are not those of D023N"


@pytest.mark.parametrize(
    ("serial", "check", "truth"),
    [
        ("M40-0071", TONE, {"sub-audible tone": 88.5, "sub-audible tone, deviation": 300.0}),
        (
            "M40-0072",
            CODE,
            {"digital code, bit rate": 134.4, "digital code, deviation": 320.0, WRONG_BITS: 0.0},
        ),
        (
            "M40-0075",
            DUAL,
            {
                "dual tone, lower": 770.0,
                "dual tone, higher": 1_209.0,
                "dual tone, deviation": 400.0 * (1 + 10**0.1),
                "dual tone, twist": 2.0,
            },
        ),
    ],
)
def test_what_a_sound_unit_sends_lies_within_u_and_passes(
    tmp_path: Path, serial: str, check: str, truth: dict[str, float]
) -> None:
    """A tone, a code and two tones, each with all its figures."""
    found = results(run(tmp_path, serial, check, seed=4))
    assert set(found) == set(truth)
    for quantity, true in truth.items():
        one = found[quantity]
        assert one.value == pytest.approx(true, abs=(one.uncertainty or 0.0) + 1e-9), quantity
        assert one.decision in (Decision.PASS, Decision.NO_LIMIT), one.note


def test_a_wrong_and_weak_tone_fails_and_is_named(tmp_path: Path) -> None:
    """91.5 Hz with 120 Hz: its frequency and its deviation fail, and the note says which listed tone it is."""
    found = results(run(tmp_path, "M40-0073", TONE))
    assert {one.decision for one in found.values()} == {Decision.FAIL}
    assert found["sub-audible tone"].value == pytest.approx(91.5, abs=0.01)
    assert "it sends the listed tone 91.5 Hz" in found["sub-audible tone"].note


def test_a_code_the_wrong_way_round_and_too_slow_fails_and_is_named(tmp_path: Path) -> None:
    """023 inverted is 047 (published pairs); its clock is 1 % slow; its levels are right."""
    found = results(run(tmp_path, "M40-0074", CODE))
    assert found[WRONG_BITS].decision is Decision.FAIL
    assert "it sends D047N" in found[WRONG_BITS].note
    rate = found["digital code, bit rate"]
    assert rate.decision is Decision.FAIL
    assert rate.value == pytest.approx(133.05, abs=rate.uncertainty)
    assert found["digital code, deviation"].decision is Decision.PASS


@pytest.mark.parametrize(
    ("serial", "check", "said"),
    [
        ("M40-0007", TONE, "it transmits, and sends no tone and no code"),
        ("M40-0072", TONE, "it sends D023N"),
        ("M40-0071", CODE, "it sends a tone of 88.5 Hz"),
        ("M40-0071", DUAL, "it sends no tone near 770 Hz and none near 1209 Hz"),
    ],
)
def test_a_unit_that_sends_none_or_another_kind_fails_by_its_own_fault(
    tmp_path: Path, serial: str, check: str, said: str
) -> None:
    """The carrier is there and recorded, so that what is missing counts against the unit; the note says what it sends."""
    rig = run(tmp_path, serial, check)
    assert rig.record.ended["status"] == ExitStatus.FAILED
    assert said in next(iter(results(rig).values())).note


def test_an_analyser_that_records_the_same_released_proves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A generator beside the bench that sends the tone: what is recorded does not go with PTT, and decides nothing."""
    from sim.instruments.modulation_analyser import ModulationAnalyser

    def other(self: Any, count: int, rate_hz: float) -> np.ndarray:
        at_s = self.clock.now_s() + np.arange(count) / rate_hz
        noise = self.rng.standard_normal(count)
        return 0.03 * np.exp(1j * 300.0 / 88.5 * np.sin(2 * np.pi * 88.5 * at_s)) + 1e-7 * noise

    monkeypatch.setattr(ModulationAnalyser, "_input", other)
    rig = run(tmp_path, "M40-0007", TONE)
    found = results(rig)
    assert {one.value for one in found.values()} == {None}
    assert "baseband: it shows the same with PTT released" in found["sub-audible tone"].note
    assert rig.record.ended["status"] != ExitStatus.PASSED


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("tone: 88.5 Hz, code: D023N", "tone and code are given"),
        ("deviation: {min: 1 Hz}", "it is not said what the unit sends"),
        ("code: D024N", "there is no code 'D024N'"),
        ("code: 023", "code"),
        ("tones: [770 Hz]", "that is no pair of tones"),
        ("tone: 300 Hz", "260 Hz"),
    ],
)
def test_what_no_unit_sends_is_refused_before_anything_is_sent(tmp_path: Path, how: str, said: str) -> None:
    """Two kinds, none, a code of no list, a number for a code, one tone of two, a tone that is not below speech."""
    with pytest.raises(FileProblems) as refused:
        run(tmp_path, "M40-0071", f"check: signalling_sent, channel: 20, {how}")
    assert said in str(refused.value)
