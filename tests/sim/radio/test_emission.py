"""The emission's wave as the analyser sees it: selective level, recordings, and its own readings, held against each other.

Outside the project: published zeros of the Bessel functions (carrier null at an index of 2.405), scipy's Bessel functions for the
sidebands, the AM sidebands of 20·log(m/2), scipy's Hilbert-free demodulation of the recording (phase differences).
"""

from __future__ import annotations

from math import log10

import numpy as np
import pytest
from scipy import signal, special

from sequencer.dsp.audio import read_audio
from sequencer.dsp.baseband import read_am, read_fm
from sequencer.dsp.weighting import band
from sim.radio.unit import Specimen, Transmitter
from tests.support.multimode_desk import MultimodeDesk

CLEAN = Specimen(
    serial="T",
    transmitter=Transmitter(
        asymmetry_percent=0.0, distortion_percent=0.0, residual_deviation_hz=0.0,
        frequency_error_ppm=0.0, warm_up_ppm=0.0, max_deviation_hz=5_000.0,
    ),
)  # fmt: skip


def level_dbm(desk: MultimodeDesk, offset_hz: float) -> float:
    """Return the selective level beside the dial."""
    return desk.analyse("POWer:AC", f":SENS:FREQ {desk.dial_hz + offset_hz};")


def test_carrier_null_where_the_bessel_function_has_its_zero() -> None:
    """The deviation the analyser reads at the carrier null on its spectrum is 2.4048 times the tone, within 1 %.

    The null is looked for by level alone; the deviation meter and the selective meter share no formula but the wave's lines.
    """
    desk = MultimodeDesk(CLEAN, "FM")
    desk.transmit((1_000.0, 0.0))
    plain_dbm = level_dbm(desk, 0.0)
    drives_v = np.linspace(0.0070, 0.0100, 31)
    levels = []
    for drive_v in drives_v:
        desk.transmit((1_000.0, float(drive_v)))
        levels.append(level_dbm(desk, 0.0))
    best_v = float(drives_v[int(np.argmin(levels))])
    assert min(levels) < plain_dbm - 35.0
    desk.transmit((1_000.0, best_v))
    deviation_hz = desk.analyse("FM:DEViation", f":SENS:FREQ {desk.dial_hz};:SENS:DET POS;")
    assert deviation_hz == pytest.approx(2.40482556 * 1_000.0, rel=0.01)


@pytest.mark.parametrize("drive_v", [0.002, 0.004, 0.006])
def test_fm_sidebands_are_bessel_functions_of_the_deviation_read(drive_v: float) -> None:
    """Carrier and first three sidebands lie where scipy's Bessel functions of the read deviation put them, within 0.3 dB."""
    desk = MultimodeDesk(CLEAN, "FM")
    desk.transmit((1_000.0, 0.0))
    plain_dbm = level_dbm(desk, 0.0)
    desk.transmit((1_000.0, drive_v))
    index = desk.analyse("FM:DEViation", f":SENS:FREQ {desk.dial_hz};:SENS:DET POS;") / 1_000.0
    for order in range(4):
        expected_db = 20 * log10(abs(special.jv(order, index)))
        if expected_db > -30.0:
            assert level_dbm(desk, order * 1_000.0) - plain_dbm == pytest.approx(expected_db, abs=0.3)


def test_am_sidebands_against_the_depth_read() -> None:
    """Each sideband of AM lies 20·log(m/2) below the carrier: 10.46 dB at 60 % (derived), within 0.3 dB of the depth read."""
    desk = MultimodeDesk("MX40-0101", "AM")
    desk.transmit((1_000.0, 0.010))
    depth_percent = np.mean(
        [desk.analyse("AM:DEPTh", f":SENS:FREQ {desk.dial_hz};:SENS:DET {side};") for side in ("POS", "NEG")]
    )
    assert depth_percent == pytest.approx(60.0, abs=1.0)
    for side in (-1, 1):
        below_db = level_dbm(desk, 0.0) - level_dbm(desk, side * 1_000.0)
        assert below_db == pytest.approx(-20 * log10(float(depth_percent) / 200.0), abs=0.3)


def test_silence_reads_the_floor() -> None:
    """Beside every line, and unkeyed, the selective reading is at least 85 dB below a carrier."""
    desk = MultimodeDesk(CLEAN, "FM")
    desk.transmit((1_000.0, 0.0))
    carrier_dbm = level_dbm(desk, 0.0)
    assert level_dbm(desk, 12_500.0) < carrier_dbm - 85.0
    desk.say("radio", ":CONT:KEY:STAT 0")
    assert level_dbm(desk, 0.0) < carrier_dbm - 100.0


@pytest.mark.parametrize("drive_v", [0.010, 0.100])
def test_recorded_fm_has_the_deviation_read(drive_v: float) -> None:
    """Samples demodulated by phase differences have the peaks that the analyser read, within 1 %, at both drives."""
    desk = MultimodeDesk("M40-0013", "FM")
    desk.transmit((1_000.0, drive_v))
    read_hz = {
        side: desk.analyse("FM:DEViation", f":SENS:FREQ {desk.dial_hz};:SENS:DET {side};")
        for side in ("POS", "NEG")
    }
    baseband = desk.samples("modulation_analyser", "IQ", 48_000, 96_000.0)
    swing_hz = np.angle(baseband[1:] * np.conj(baseband[:-1])) * 96_000.0 / (2 * np.pi)
    # a low-pass of 15 kHz, as a deviation meter has: without it the input's own noise stands on the peaks
    swing_hz = signal.sosfiltfilt(signal.butter(6, 15_000.0, fs=96_000.0, output="sos"), swing_hz)[960:-960]
    swing_hz = swing_hz - np.mean(swing_hz[: 96 * 479])
    cycles = swing_hz[: 96 * 479].reshape(479, 96).mean(axis=0)  # averaged over the tone, residual FM cancels
    assert float(cycles.max()) == pytest.approx(read_hz["POS"], rel=0.01)
    assert float(-cycles.min()) == pytest.approx(read_hz["NEG"], rel=0.01)


def test_engine_reads_the_recordings_as_the_analyser_does() -> None:
    """The engine's own demodulators read the recorded samples as the analyser reads the signal, FM and AM, within 2 %."""
    desk = MultimodeDesk("MX40-0101", "FM")
    desk.transmit((1_000.0, 0.010))
    deviation_hz = desk.analyse("FM:DEViation", ":SENS:DET POS;")
    fm = read_fm(
        desk.samples("modulation_analyser", "IQ", 24_000, 96_000.0),
        96_000.0,
        audio_upper_hz=8_000.0,
        tone_hz=1_000.0,
    )
    assert fm.positive_peak_hz == pytest.approx(deviation_hz, rel=0.04)  # residual FM and noise on one peak
    assert fm.carrier_error_hz == pytest.approx(desk.analyse("FREQuency") - desk.dial_hz, abs=3.0)
    desk = MultimodeDesk("MX40-0101", "AM")
    desk.transmit((1_000.0, 0.010))
    depths = [desk.analyse("AM:DEPTh", f":SENS:DET {side};") for side in ("POS", "NEG")]
    am = read_am(
        desk.samples("modulation_analyser", "IQ", 24_000, 96_000.0),
        96_000.0,
        audio_upper_hz=8_000.0,
        tone_hz=1_000.0,
    )
    assert am.positive_peak_percent == pytest.approx(depths[0], abs=2.5)
    assert am.negative_peak_percent == pytest.approx(depths[1], abs=2.5)


def test_recording_has_the_power_at_the_input() -> None:
    """Samples in V across 50 ohm have the power that the power meter reads (P = |v|²/100), within 0.1 dB."""
    desk = MultimodeDesk("MX40-0101", "USB")
    desk.transmit((700.0, 0.005), (1_900.0, 0.005))
    samples = desk.samples("modulation_analyser", "IQ", 9_600, 96_000.0)
    average_dbm = 10 * log10(float(np.mean(np.abs(samples) ** 2)) / 100 * 1e3)
    peak_dbm = 10 * log10(float(np.max(np.abs(samples) ** 2)) / 100 * 1e3)
    assert average_dbm == pytest.approx(desk.number("power_meter", ":READ?"), abs=0.1)
    assert peak_dbm == pytest.approx(desk.number("power_meter", ":READ:POW:PEAK?"), abs=0.1)


@pytest.mark.parametrize(
    ("mode", "offset_hz", "modulation", "levels_dbm"),
    [
        ("FM", 0.0, ":FM 1200;:FM:STAT 1", (-122.0, -119.0, -112.0)),
        ("AM", 0.0, ":AM 30;:AM:STAT 1", (-116.0, -111.0, -100.0)),
        ("USB", 1_000.0, "", (-128.0, -120.0, -110.0)),
    ],
)
def test_recorded_audio_has_the_sinad_of_the_closed_form(
    mode: str, offset_hz: float, modulation: str, levels_dbm: tuple[float, ...]
) -> None:
    """The engine's reader finds in 8 s of recorded loudspeaker audio the SINAD the unit has in truth, within 0.8 dB."""
    desk = MultimodeDesk("MX40-0101", mode)
    for level in levels_dbm:
        desk.receive(level, offset_hz, modulation)
        audio = desk.samples("audio_analyser", "AUDio", 96_000, 12_000.0)
        # 0.8 ppm of a 27 MHz dial is 22 Hz: in SSB the tone lies beside 1 kHz by as much
        tone_hz = desk.bench.unit.audio_tone_hz() or 1_000.0
        found = read_audio(audio, 12_000.0, tone_hz, weighting=band(20.0, 5_900.0))
        assert found.sinad_db == pytest.approx(desk.bench.unit.mean_sinad_db(), abs=0.8)
        level_v = desk.audio("VOLT:AC", 10.0)
        assert float(np.sqrt(np.mean(audio**2))) == pytest.approx(level_v, rel=0.05)
