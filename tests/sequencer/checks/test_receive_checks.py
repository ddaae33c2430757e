"""The receive-side checks beside sensitivity and S9, on sound and faulty specimens; truth is what the specimen's file states."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from sequencer.decision import Decision
from sim.simulated_bench import SimulatedBench
from tests.sequencer.checks.running import run_checks

VHF = {"plan": "vhf-workshop", "supply": "7.4 V"}


def _just_closed(simulation: SimulatedBench) -> None:
    """Let whoever confirms turn the squelch until it just closes."""
    simulation.confirm_knobs = partial(simulation.confirm_knobs, squelch="just closed")  # type: ignore[method-assign]


@pytest.mark.parametrize(
    ("serial", "opens_dbm", "decision"),
    [("V5-0301", -121.0, Decision.PASS), ("V5-0305", -104.0, Decision.FAIL)],
)
def test_squelch_opens_where_the_specimen_states(
    tmp_path: Path, serial: str, opens_dbm: float, decision: Decision
) -> None:
    """Opening is found within its uncertainty (and the knob's own tenths) of the stated level, closing 3 dB below; the late one fails."""
    check = "{check: squelch, channel: 1, opening: {max: -110 dBm}, hysteresis: {max: 6 dB}}"
    ran = run_checks(tmp_path, serial, check, **VHF, before=_just_closed)
    result = ran.found("squelch opens")
    assert result.value is not None
    assert result.uncertainty is not None
    assert abs(result.value - opens_dbm) <= result.uncertainty + 1.0
    assert result.decision is decision
    assert ran.number("squelch hysteresis") == pytest.approx(3.0, abs=1.2)


def test_a_squelch_that_stands_open_is_said_so(tmp_path: Path) -> None:
    """With the knob fully open there is nothing to find: no number, and the words say which way it failed."""
    result = run_checks(tmp_path, "V5-0301", "{check: squelch, channel: 1}", **VHF).found("squelch opens")
    assert result.value is None
    assert "already past" in result.note


def test_audio_output_and_distortion_tell_the_torn_loudspeaker(tmp_path: Path) -> None:
    """1.2 V at normal deviation into 8 ohm is V²/R; the unit whose amplifier clips at 1.1 V and distorts fails both."""
    checks = """
    {check: audio_output, channel: 1, deviation: 1.2 kHz, load: 8 ohm, power: {min: 0.15 W}, distortion: {max: 5 %}}
    {check: receive_distortion, channel: 1, deviation: 1.5 kHz, limit: {max: 5 %}}
    """
    sound = run_checks(tmp_path, "V5-0301", checks, **VHF)
    assert sound.number("audio output power") == pytest.approx(1.2**2 / 8.0, rel=0.06)
    assert sound.found("receive distortion").decision is Decision.PASS
    torn = run_checks(tmp_path, "V5-0303", checks, **VHF)
    assert torn.found("audio output power").decision is Decision.FAIL
    assert torn.found("audio output distortion").decision is Decision.FAIL
    assert torn.found("receive distortion").decision is Decision.FAIL
