"""A receiver is called deaf only by the generator's own signal: on its channel, with the modulation it was told."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig

HEAD = """
sequence: One
channels: plans/cept-40.yaml
mode: {mode}
supply: 13.2 V
rated_power: 4.5 W
checks:
  - {{check: sensitivity, channel: 20, target: {target}, limit: {{max: {most}}}}}
"""
FM = HEAD.format(mode="FM", target="12 dB SINAD", most="-118 dBm")


def _delivers(rig: Rig, **instead: float) -> None:
    """Let the generator read back what it is told, and make something else."""
    generator = rig.device("signal_generator")
    deliver = generator._apply

    def stuck(signal: Any) -> None:
        deliver(None if signal is None else replace(signal, **instead))

    generator._apply = stuck


@pytest.mark.parametrize("mhz", [27.195, 27.215, 27.225], ids=["below", "above", "two above"])
@pytest.mark.parametrize("target", ["12 dB SINAD", "20 dB quieting"])
def test_a_generator_on_another_channel_calls_no_receiver_deaf(
    make_rig: Any, mhz: float, target: str
) -> None:
    """A frequency that reads back right and stands a channel or two off is told by a reading off the channel, and decides nothing."""
    rig = make_rig(serial="M40-0007", sequence=HEAD.format(mode="FM", target=target, most="-118 dBm"))
    _delivers(rig, frequency_hz=mhz * 1e6)
    outcome = rig.run()
    (result,) = outcome.results
    assert result.decision is Decision.NOT_MEASURED, result
    assert result.value is None
    assert outcome.status is ExitStatus.BENCH_FAILED


def test_a_generator_off_the_channel_is_named_with_both_readings(make_rig: Any) -> None:
    """The note says what was read on and off the channel, and what to look at."""
    rig = make_rig(serial="M40-0007", sequence=FM)
    _delivers(rig, frequency_hz=27.215e6)
    (result,) = rig.run().results
    assert "not its signal on this channel" in result.note, result.note
    assert "signal_generator" in result.note
    assert "is on this channel and mode" in result.note


def test_a_generator_whose_deviation_stands_still_calls_no_receiver_deaf(make_rig: Any) -> None:
    """A deviation of 400 Hz for 1.2 kHz costs some ten decibels of level: told by the reading with half of it."""
    rig = make_rig(serial="M40-0007", sequence=FM)
    _delivers(rig, fm_deviation_hz=400.0)
    (result,) = rig.run().results
    assert result.decision is Decision.NOT_MEASURED, result
    assert "does not follow the modulation" in result.note, result.note


@pytest.mark.parametrize(
    ("mode", "target"),
    [
        ("FM", "12 dB SINAD"),
        ("FM", "20 dB quieting"),
        ("AM", "10 dB (S+N)/N"),
        ("AM", "12 dB SINAD"),
        ("USB", "12 dB SINAD"),
        ("LSB", "10 dB (S+N)/N"),
    ],
)
def test_a_receiver_that_needs_more_than_its_limit_still_fails(make_rig: Any, mode: str, target: str) -> None:
    """In every mode and by every target: a signal that counts is a proof, and the verdict stands."""
    sequence = HEAD.format(mode=mode, target=target, most="-136 dBm")
    (result,) = make_rig(serial="MX40-0101", sequence=sequence).run().results
    assert result.decision is Decision.FAIL, result.note


DISTORTION = """
sequence: One
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: receive_distortion, channel: 20, level: LEVEL, limit: {max: 10 %}}
  - {check: audio_output, channel: 20, level: LEVEL, power: {min: 100 mW}, distortion: {max: 10 %}}
"""


@pytest.mark.parametrize(
    "instead", [{"frequency_hz": 100e6}, {"level_dbm": -180.0}], ids=["frequency", "lead"]
)
def test_a_generator_that_is_not_heard_makes_no_receiver_distort(
    make_rig: Any, instead: dict[str, float]
) -> None:
    """Nothing but noise, however strong the signal: not a distortion of 100 % that fails, and the note says what to look at."""
    rig = make_rig(serial="M40-0007", sequence=DISTORTION.replace("LEVEL", "-90 dBm"))
    _delivers(rig, **instead)
    outcome = rig.run()
    assert [one.decision for one in outcome.results] == [Decision.NOT_MEASURED] * 3, outcome.results
    assert "Check whether" in outcome.results[0].note, outcome.results[0].note


def test_a_receiver_that_hears_the_standard_signal_in_noise_still_fails(make_rig: Any) -> None:
    """A signal that is lost in noise there, and heard where it is louder, is the receiver's own: its distortion and noise count."""
    rig = make_rig(serial="M40-0007", sequence=DISTORTION.replace("LEVEL", "-131 dBm"))
    receive, power, output = rig.run().results
    assert receive.value is not None
    assert receive.value > 70.0
    assert receive.decision is output.decision is Decision.FAIL
    assert power.decision is Decision.NOT_MEASURED


def test_a_unit_that_restarts_during_a_search_is_not_told_as_a_wrong_generator(make_rig: Any) -> None:
    """A radio that goes to channel 21 by itself in mid-search hears its generator off the channel: the check is done anew, and passes."""
    rig = make_rig(serial="M40-0007", sequence=FM)
    unit = rig.simulation.wiring.unit
    exact, asked = unit.sinad_db, [0]

    def restarting(*how: Any) -> float:
        asked[0] += 1
        if asked[0] == 2:
            unit.set_channel(21)
        return float(exact(*how))

    unit.sinad_db = restarting
    (result,) = rig.run().results
    assert result.decision is Decision.PASS, result.note


def test_a_receiver_that_hears_the_generator_s_lowest_level_is_measured(make_rig: Any) -> None:
    """A very good one hears a tone at -137 dBm: the tone is less clear there than above, so that the level counts."""
    rig = make_rig(serial="M40-0007", sequence=FM)
    rig.device("signal_generator")._level_error_db += 14.0  # as good as a receiver that much better
    (result,) = rig.run().results
    assert result.decision is Decision.PASS, result.note
    assert result.value is not None
    assert result.value < -130.0
