"""The words that the other modes need, spoken without any driver: audio functions, weightings, filters, recordings, PEP, frequency.

Outside the project: emphasis of 6 dB an octave (published table), telephone weighting (ITU-T O.41), SINAD and distortion as one
figure in two units (20 dB is 10 %), error numbers of SCPI-1999 (from memory).
"""

from __future__ import annotations

from math import log10

import numpy as np
import pytest

from tests.support.multimode_desk import MultimodeDesk

FM_ON = ":FM 1200;:FM:STAT 1"


def test_distortion_is_sinad_in_percent() -> None:
    """10 % is 20 dB and 1 % is 40 dB: both functions agree on one signal within their scatter."""
    desk = MultimodeDesk("M40-0007", "FM")
    desk.receive(-60.0, modulation=FM_ON)
    sinad_db, percent = desk.audio("POW:SNDR"), desk.audio("POWer:DISTortion")
    assert percent == pytest.approx(100 * 10 ** (-sinad_db / 20), rel=0.05)
    assert 1.0 < percent < 4.0


def test_tone_frequency_of_the_loudspeaker() -> None:
    """The tone is counted in FM and in SSB; in noise there is none (9.91E37)."""
    desk = MultimodeDesk("M40-0007", "FM")
    desk.receive(-60.0, modulation=FM_ON + ";:FM:INT:FREQ 1250")
    assert desk.audio("FREQuency") == pytest.approx(1_250.0, abs=0.1)
    desk.receive(-137.0)
    assert desk.audio("FREQ") == pytest.approx(9.91e37)
    desk = MultimodeDesk("H10-0201", "LSB", 3)
    desk.receive(-80.0, -1_200.0)
    assert desk.audio("FREQ") == pytest.approx(1_200.0, abs=5.0)


def test_only_one_weighting_is_on() -> None:
    """Switching one weighting on switches the other off, and *RST both; a weighted SINAD near noise is the higher one."""
    desk = MultimodeDesk("M40-0007", "FM")
    desk.receive(-112.0, modulation=FM_ON)
    flat_db = desk.audio("POW:SNDR")
    desk.say("audio_analyser", ":SENS:FILT:CMES 1;:SENS:FILT:CCIT:STAT 1")
    assert desk.ask("audio_analyser", ":FILT:CMES?;:FILT:CCIT?") == "0;1"
    assert 1.0 < desk.audio("POW:SNDR") - flat_db < 5.0
    desk.say("audio_analyser", "*RST")
    assert desk.ask("audio_analyser", ":FILT:CMES?;:FILT:CCIT?") == "0;0"
    assert desk.error("audio_analyser").startswith("0,")


def test_second_tone_is_silent_after_reset_and_has_a_suffix() -> None:
    """SOURce2 is set and asked apart from SOURce1; after *RST it is at 0 V; without a suffix SOURce1 is meant."""
    desk = MultimodeDesk("MX40-0101", "USB")
    desk.say("audio_analyser", ":SOUR2:FREQ 1900;:SOUR2:VOLT 0.01;:SOUR:FREQ 700")
    assert desk.number("audio_analyser", ":SOUR2:FREQ?") == 1_900.0
    assert desk.number("audio_analyser", ":SOUR1:FREQ?") == 700.0
    desk.say("audio_analyser", "*RST")
    assert desk.number("audio_analyser", ":SOUR2:VOLT?") == 0.0


def test_two_tones_read_pep_and_average() -> None:
    """Average is 2.5 to 3.1 dB below PEP with two tones (3.01 dB from a straight stage), 0 dB with a carrier."""
    desk = MultimodeDesk("MX40-0101", "USB")
    desk.transmit((700.0, 0.01), (1_900.0, 0.01))
    apart_db = desk.number("power_meter", ":READ:POW:PEAK?") - desk.number("power_meter", ":READ?")
    assert 2.5 < apart_db < 3.1
    desk = MultimodeDesk("M40-0007", "FM")
    desk.transmit((1_000.0, 0.01))
    apart_db = desk.number("power_meter", ":MEAS:POW:PEAK?") - desk.number("power_meter", ":READ?")
    assert apart_db == pytest.approx(0.0, abs=0.05)
    desk.say("radio", ":CONT:KEY:STAT 0")
    assert desk.number("power_meter", ":READ:POW:PEAK?") == pytest.approx(-9.9e37)


@pytest.mark.parametrize(("tone_hz", "relative_db"), [(500.0, -5.49), (2_000.0, 5.88)])
def test_transmit_response_has_the_emphasis_and_de_emphasis_takes_it_away(
    tone_hz: float, relative_db: float
) -> None:
    """Deviation well below limiting follows the 750 µs table re 1 kHz; behind de-emphasis it is flat.

    Both within 0.3 dB, but for the two equal poles at 4.5 kHz that transmitter.py states behind the limiter.
    """
    desk = MultimodeDesk("M40-0007", "FM")
    rms: dict[tuple[float, bool], float] = {}
    for frequency_hz in (1_000.0, tone_hz):
        desk.transmit((frequency_hz, 0.003))
        for filtered in (False, True):
            before = f":SENS:DET RMS;:SENS:FILT:DEMP:STAT {int(filtered)};"
            rms[frequency_hz, filtered] = desk.analyse("FM:DEViation", before)
    straight_db = 20 * log10(rms[tone_hz, False] / rms[1_000.0, False])
    flat_db = 20 * log10(rms[tone_hz, True] / rms[1_000.0, True])
    splatter_db = 20 * log10((1 + (1_000 / 4_500) ** 2) / (1 + (tone_hz / 4_500) ** 2))
    assert straight_db == pytest.approx(relative_db + splatter_db, abs=0.3)
    assert flat_db == pytest.approx(splatter_db, abs=0.3)


def test_residual_modulation_reads_below_the_tone() -> None:
    """Without a tone the sound set's FM lies 35 to 45 dB below normal modulation, the humming handheld's less than 30 dB."""
    found = []
    for serial, channel in (("V5-0301", 1), ("V5-0305", 1)):
        desk = MultimodeDesk(serial, "FM", channel)
        desk.transmit((1_000.0, 0.008))
        tone_hz = desk.analyse("FM", ":SENS:DET RMS;")
        desk.transmit()
        residual_hz = np.mean([desk.analyse("FM") for _ in range(20)])
        found.append(20 * log10(tone_hz / float(residual_hz)))
    assert 35.0 < found[0] < 45.0
    assert found[1] < 30.0


def test_audio_of_am_and_sideband() -> None:
    """Distortion, SINAD and tone of the demodulated audio agree with each other on AM, and the tone is heard on USB."""
    desk = MultimodeDesk("MX40-0101", "AM")
    desk.transmit((1_000.0, 0.010))
    desk.say("modulation_analyser", ":SENS:DEM AM")
    percent, sinad_db = desk.analyse("POWer:DISTortion"), desk.analyse("POWer:SNDRatio")
    assert percent == pytest.approx(100 * 10 ** (-sinad_db / 20), rel=0.05)
    assert desk.analyse("FREQuency:AUDio") == pytest.approx(1_000.0, abs=0.2)
    desk = MultimodeDesk("H10-0201", "USB", 5)
    desk.transmit((1_000.0, 0.002))
    desk.say("modulation_analyser", ":SENS:DEM USB")
    assert desk.analyse("FREQ:AUD") == pytest.approx(1_000.0, abs=10.0)
    assert desk.analyse("FREQ") == pytest.approx(desk.dial_hz + 1_000.0, abs=10.0)
    for function in ("FM:DEViation", "AM:DEPTh"):
        assert desk.analyse(function) == pytest.approx(9.91e37)


def test_filters_take_hum_and_hiss() -> None:
    """A 300 Hz tone behind a 1 kHz high-pass, or a 3 kHz tone behind a 1 kHz low-pass, is far weaker."""
    desk = MultimodeDesk("M40-0007", "FM")
    for tone_hz, on in (
        (300.0, ":SENS:FILT:HPAS:FREQ 1000;:SENS:FILT:HPAS 1;"),
        (3_000.0, ":SENS:FILT:FREQ 1000;:SENS:FILT 1;"),
    ):
        desk.transmit((tone_hz, 0.01))
        plain_hz = desk.analyse("FM", ":SENS:DET POS;")
        filtered_hz = desk.analyse("FM", on)
        assert filtered_hz < 0.1 * plain_hz
        desk.say("modulation_analyser", ":SENS:FILT:HPAS 0;:SENS:FILT 0")


def test_trace_without_a_recording_is_refused() -> None:
    """TRACe? before INITiate is -230, an unknown trace -224; afterwards the block has the points asked for in both orders."""
    desk = MultimodeDesk("M40-0007", "FM")
    desk.say("modulation_analyser", ":TRAC? IQ")
    assert desk.error("modulation_analyser").startswith("-230,")
    desk.say("audio_analyser", ":TRAC? IQ2")
    assert desk.error("audio_analyser").startswith("-224,")
    desk.receive(-80.0, modulation=FM_ON)
    before_s = desk.clock.now_s()
    samples = desk.samples("audio_analyser", "AUDio", 1_000, 10_000.0)
    assert len(samples) == 1_000
    assert desk.clock.now_s() - before_s == pytest.approx(0.1, abs=0.01)
    assert float(np.std(samples)) == pytest.approx(2.0, rel=0.05)
    swapped = desk.raw("audio_analyser", ":FORM:BORD SWAP;:TRAC? AUD")
    assert np.frombuffer(swapped[6:4006], dtype="<f4").astype(float) == pytest.approx(samples)


def test_radio_is_asked_for_a_frequency() -> None:
    """CONTrol:FREQuency moves a tunable radio, is refused with -222 by others, and a channel brings it back."""
    desk = MultimodeDesk("MX40-0101", "FM")
    desk.say("radio", ":CONT:FREQ 27.555E6")
    assert desk.number("radio", ":CONT:FREQ?") == 27.555e6
    desk.say("radio", ":CONT:CHAN 20")
    assert desk.number("radio", ":CONT:FREQ?") == 27.205e6
    desk = MultimodeDesk("M40-0007", "FM")
    desk.say("radio", ":CONT:FREQ 27.555E6")
    assert desk.error("radio").startswith("-222,")


def test_keyed_out_of_plan_nothing_is_there_to_measure() -> None:
    """A sound unit keyed at 27.555 MHz: no power, no frequency; and the witness stays at zero."""
    desk = MultimodeDesk("MX40-0101", "FM")
    desk.say("radio", ":CONT:FREQ 27.555E6")
    desk.dial_hz = 27.555e6
    desk.transmit()
    assert desk.number("power_meter", ":READ?") == pytest.approx(-9.9e37)
    assert desk.analyse("FREQ") == pytest.approx(9.91e37)
    assert desk.ask("radio", ":CONT:KEY:STAT?") == "1"
    desk.say("radio", ":CONT:KEY:STAT 0")
    assert desk.bench.hazards == ()


def test_interferer_is_the_second_generator_wherever_its_entry_stands() -> None:
    """The entry named interferer, first in the file, disturbs; the signal generator is still the wanted one."""
    desk = MultimodeDesk("M40-0007", "FM")
    desk.receive(-115.0, modulation=FM_ON)
    clean_db = desk.audio("POW:SNDR")
    desk.say("interferer", f":FREQ {desk.dial_hz + 10e3};:POW -35;:OUTP 1")
    desk.clock.wait_s(1.0)
    assert clean_db > 14.0
    assert desk.audio("POW:SNDR") < 3.0
    desk.say("interferer", ":OUTP 0")
    desk.clock.wait_s(1.0)
    assert desk.audio("POW:SNDR") == pytest.approx(clean_db, abs=1.0)


def test_knobs_where_a_check_wants_them() -> None:
    """With the squelch just closed noise is muted and a signal is not; volume at full clips."""
    desk = MultimodeDesk("M40-0007", "FM")
    desk.bench.confirm_knobs(squelch="just closed")
    desk.receive(-137.0)
    assert desk.audio("VOLT:AC", 0.5) < 0.01
    desk.receive(-60.0, modulation=FM_ON)
    assert desk.audio("VOLT:AC", 0.5) > 1.0
    desk.bench.confirm_knobs(volume=1.0)
    assert desk.audio("POW:DIST", 1.0) > 5.0
    desk.bench.confirm_knobs()
    assert desk.audio("POW:DIST", 1.0) < 5.0
