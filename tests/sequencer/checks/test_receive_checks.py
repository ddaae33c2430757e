"""Squelch, audio output, receive distortion and AGC span, on sound and faulty specimens; truth is what the specimen's file states."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision
from sim.bench import SimulatedBench
from tests.support.running import run_checks
from tests.support.truth import INTERFERER, write_bench

VHF = {"plan": "vhf-workshop", "supply": "7.4 V"}


@pytest.mark.parametrize(
    ("serial", "opens_dbm", "decision"),
    [("V5-0301", -121.0, Decision.PASS), ("V5-0305", -104.0, Decision.FAIL)],
)
def test_squelch_opens_where_the_specimen_states(
    tmp_path: Path, serial: str, opens_dbm: float, decision: Decision
) -> None:
    """Opening is found within its uncertainty (and the knob's own tenths) of the stated level, closing 3 dB below; the late one fails."""
    check = "{check: squelch, channel: 1, opening: {max: -110 dBm}, hysteresis: {max: 6 dB}}"
    ran = run_checks(tmp_path, serial, check, **VHF)
    result = ran.found("squelch opens")
    assert result.value is not None
    assert result.uncertainty is not None
    assert abs(result.value - opens_dbm) <= result.uncertainty + 1.0
    assert result.decision is decision
    assert ran.number("squelch hysteresis") == pytest.approx(3.0, abs=1.2)


def test_squelch_begins_where_the_run_found_the_unit_to_hear(tmp_path: Path) -> None:
    """The first look is taken near the sensitivity found on its own channel, of a tone of little deviation far above the usual one."""
    closed = "{check: confirm, text: squelch just closed, knob: squelch, position: just closed}"
    begins_dbm = {}
    for channel in (1, 2):
        folder = tmp_path / str(channel)
        folder.mkdir()
        sensitivity = f"{{check: sensitivity, channel: {channel}, deviation: 200 Hz}}"
        ran = run_checks(folder, "V5-0301", f"{sensitivity}\n{closed}\n{{check: squelch, channel: 1}}", **VHF)
        heard_dbm = next(one.value for one in ran.outcome.results if one.check == "sensitivity")
        assert heard_dbm is not None
        first_dbm = ran.found("squelch opens").points[0].level_db
        assert first_dbm is not None
        begins_dbm[channel] = first_dbm - heard_dbm
    assert begins_dbm[1] == pytest.approx(-1.0, abs=1.5)
    assert begins_dbm[2] < -4.0


@pytest.mark.parametrize("mode", ["FM", "AM", "USB"])
def test_squelch_in_every_mode(tmp_path: Path, mode: str) -> None:
    """It opens where it is stated (-122 dBm at the last tenths of the knob) and closes 3 dB below, whatever is heard through it."""
    checks = "{check: squelch, channel: 20, closing: {max: -100 dBm}}"
    ran = run_checks(tmp_path, "MX40-0101", checks, mode=mode)
    result = ran.found("squelch opens")
    assert result.value is not None
    assert result.uncertainty is not None
    stated_dbm = ran.simulation.unit.specimen.squelch.opens_dbm
    assert abs(result.value - stated_dbm) <= result.uncertainty + 1.0
    assert ran.found("squelch closes").decision is Decision.PASS
    assert ran.number("squelch hysteresis") == pytest.approx(3.0, abs=1.2)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ("", "the squelch stands open"),
        ("open_above: 0.1 V", "already past"),
        ("mode: AM", "the squelch stands open"),
        ("mode: USB, open_above: 0.3 V", "rises smoothly through 300 mV instead of switching"),
    ],
)
def test_a_squelch_that_stands_open_is_said_so(tmp_path: Path, settings: str, words: str) -> None:
    """With the knob fully open there is nothing to find: no number, and the words say so, also where the audio rises with the signal."""
    left_open = "{check: confirm, text: turned fully open, knob: squelch, position: open}"
    ran = run_checks(tmp_path, "MX40-0101", f"{left_open}\n{{check: squelch, channel: 20, {settings}}}")
    for quantity in ("squelch opens", "squelch closes", "squelch hysteresis"):
        assert ran.found(quantity).value is None
    assert words in ran.found("squelch opens").note


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


@pytest.mark.parametrize("mode", ["AM", "USB", "LSB"])
def test_audio_output_in_the_other_modes(tmp_path: Path, mode: str) -> None:
    """The AGC lifts 2 V at its threshold (-105 dBm) by 0.05 dB for each dB: 2 V · 10^(58 · 0.05 / 20) at -47 dBm, as specimen files say."""
    checks = """
    {check: audio_output, channel: 20, load: 8 ohm, power: {min: 0.5 W}, distortion: {max: 10 %}}
    {check: receive_distortion, channel: 20, limit: {max: 10 %}}
    """
    ran = run_checks(tmp_path, "MX40-0101", checks, mode=mode)
    volts = 2.0 * 10.0 ** (58.0 * 0.05 / 20.0)
    assert ran.number("audio output power") == pytest.approx(volts**2 / 8.0, rel=0.08)
    for quantity in ("audio output power", "audio output distortion", "receive distortion"):
        assert ran.found(quantity).decision is Decision.PASS


def test_distortion_is_read_at_the_tone_that_is_heard(tmp_path: Path) -> None:
    """A unit 15 ppm low puts an SSB tone of 1 kHz some 400 Hz off; the reading follows it and the notch is not blamed on the unit."""

    def off_frequency(simulation: SimulatedBench) -> None:
        specimen = simulation.unit.specimen
        simulation.unit.specimen = replace(
            specimen, transmitter=replace(specimen.transmitter, frequency_error_ppm=-15.0)
        )

    check = "{check: receive_distortion, channel: 20, mode: USB, limit: {max: 10 %}}"
    ran = run_checks(tmp_path, "MX40-0101", check, before=off_frequency)
    assert ran.found("receive distortion").decision is Decision.PASS


@pytest.mark.parametrize(("mode", "stated"), [("AM", 0.05), ("USB", 0.05)])
def test_agc_span_is_what_its_slope_makes_of_it(tmp_path: Path, mode: str, stated: float) -> None:
    """From -13 dBm the audio falls 0.05 dB a dB down to -105 dBm (4.6 dB), then dB for dB: 1.4 dB further; noise adds some tenths."""
    check = "{check: agc_span, channel: 20, limit: {min: 80 dB}}"
    ran = run_checks(tmp_path, "MX40-0101", check, mode=mode)
    result = ran.found("AGC span")
    assert result.value is not None
    assert result.uncertainty is not None
    truth_db = (105.0 - 13.0) + (6.0 - stated * 92.0)
    assert abs(result.value - truth_db) <= result.uncertainty + 0.4
    assert result.decision is Decision.PASS
    assert ran.number("AGC, level at which the audio has fallen by 6 dB") == pytest.approx(
        -13.0 - result.value
    )


@pytest.mark.parametrize("mode", ["AM", "USB"])
def test_an_agc_that_does_not_hold_fails(tmp_path: Path, mode: str) -> None:
    """At a strong level the loudspeaker clips: its distortion fails, and no span is made of a clipped voltage."""
    ran = run_checks(tmp_path, "MX40-0105", "{check: agc_span, channel: 20, limit: {min: 80 dB}}", mode=mode)
    assert ran.found("AGC, distortion at the strong level").decision is Decision.FAIL
    span = ran.found("AGC span")
    assert span.value is None
    assert "with less volume the span can be read" in span.note


def test_a_weak_agc_that_does_not_clip_has_a_short_span(tmp_path: Path) -> None:
    """The same unit with little volume: 0.4 dB a dB is 6 dB after 15 dB; the distortion passes and the span fails 80 dB."""

    def quiet(simulation: SimulatedBench) -> None:
        simulation.confirm_knobs = partial(simulation.confirm_knobs, volume=0.01)  # type: ignore[method-assign]

    check = "{check: agc_span, channel: 20, strong: -30 dBm, limit: {min: 80 dB}}"
    ran = run_checks(tmp_path, "MX40-0105", check, mode="USB", before=quiet)
    assert ran.number("AGC span") == pytest.approx(15.0, abs=1.5)
    assert ran.found("AGC span").decision is Decision.FAIL


@pytest.mark.parametrize(
    ("check", "message"),
    [
        ("agc_span, mode: FM", "agc_span is not for FM"),
        ("agc_span, mode: AM, strong: 3 dBm", "above the receiver's rating"),
        ("agc_span, mode: AM, strong: -140 dBm", "outside what the generator offers"),
        ("receive_distortion, level: 3 dBm", "above the receiver's rating"),
        ("squelch, levels: {min: -60 dBm, max: -70 dBm}", "nothing lies between"),
    ],
)
def test_the_plan_refuses_levels_and_modes(tmp_path: Path, check: str, message: str) -> None:
    """What the mode has not, or the rating forbids, is said before anything is sent."""
    with pytest.raises(FileProblems, match=message):
        run_checks(tmp_path, "MX40-0101", f"{{check: {check}, channel: 20}}")


@pytest.mark.parametrize(
    "check",
    [
        "sensitivity",
        "sensitivity, target: 20 dB quieting",
        "sensitivity, target: 10 dB (S+N)/N, mode: AM",
        "sensitivity, target: 10 dB (S+N)/N, mode: USB",
        "sensitivity, read: samples",
        "s9_point, target: 2.25 V",
        "s_meter_curve, marks: {S3: 0.75 V, S6: 1.5 V, S9: 2.25 V}",
        "agc_span, mode: USB",
        "receive_distortion, mode: LSB",
        "audio_output",
        "selectivity",
        "blocking, mode: AM",
        "hum_and_noise, mode: AM",
        "receive_audio_response",
        "spurious_response, intermediate_frequencies: [10.695 MHz], oscillators: [high]",
        "co_channel_rejection",
    ],
)
def test_forecasts_hold_within_a_factor_of_two(tmp_path: Path, check: str) -> None:
    """The bench time a run takes lies between half and twice what its plan says."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    ran = run_checks(tmp_path, "MX40-0101", f"{{check: {check}, channel: 20}}", bench=bench)
    plan = make_plan(load_sequence(str(tmp_path / "sequence.yaml")), load_bench(bench), serial="MX40-0101")
    assert 0.5 <= ran.simulation.clock.now_s() / plan.forecast_s <= 2.0


@pytest.mark.parametrize(
    "check",
    [
        "{check: sensitivity, channel: 20, target: 12 dB SINAD, levels: {max: -125 dBm}}",
        "{check: s9_point, channel: 20, target: 2.25 V, levels: {max: -100 dBm}}",
        "{check: s9_point, channel: 20, target: 2.25 V, meter: segments, levels: {max: -100 dBm}}",
        "{check: squelch, channel: 20, open_above: 0.5 V, levels: {max: -126 dBm}}",
    ],
)
def test_a_search_that_ends_without_a_level_speaks_of_levels_in_dbm(tmp_path: Path, check: str) -> None:
    """What was searched lies between levels, and a level is in dBm: dB alone is a ratio."""
    ran = run_checks(tmp_path, "M40-0007", check)
    notes = {one.note for one in ran.outcome.results if one.value is None and one.unit == "dBm"}
    assert notes
    for note in notes:
        assert re.search(r"(to|up to) -\d+(\.\d+)? dBm\b", note), note
        assert not re.search(r"-\d+(\.\d+)? dB\b", note), note
