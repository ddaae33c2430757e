"""AM, receiver and transmitter, against a simulated wave, textbook formulas and published figures.

Outside the project: scipy's Rice distribution and Bessel functions, scipy's filters for the waveform, the envelope powers of 47 CFR
95.975 (4 W carrier: 16 W PEP at 100 %, 13.69 W at 85 %) and the figures derived from the AM formula (60 %: sidebands 10.46 dB down).
"""

from __future__ import annotations

from math import log10, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from sim.clock import VirtualClock
from sim.radio.am_receiver import EnvelopeReceiver, agc_scale, envelope_mean, envelope_slope
from sim.radio.am_transmitter import am_modulation
from sim.radio.audio_content import AudioContent
from sim.radio.emitter import Keyed, emit
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.speech_path import Tone
from sim.radio.unit import Receiver, Specimen
from sim.radio.unit_modes import Agc, AmMode, AmReceiver, AmTransmitter
from sim.rf_signal import RfSignal

SAMPLE_RATE_HZ = 48_000
TONE_HZ = 1_000.0
PLAIN = AmReceiver(distortion_percent=0.0, hum_percent=0.0, overload_dbm=100.0)


def heard(cn_db: float, depth_percent: float, offset_hz: float = 0.0, am: AmReceiver = PLAIN) -> AudioContent:
    """Return the closed form's audio at a carrier-to-noise ratio in the noise bandwidth."""
    return EnvelopeReceiver(Receiver(), am).hear(
        RfSignal(level_dbm=0.0, frequency_hz=27e6, am_depth_percent=depth_percent, tone_hz=TONE_HZ),
        carrier_w=10.0 ** (cn_db / 10.0),
        noise_w=1.0,
        offset_hz=offset_hz,
        agc_dbm=-60.0,
    )


def detect(cn_db: float, depth_percent: float, offset_hz: float, seconds: float) -> np.ndarray:
    """Return the audio of a simulated wave: complex noise, scipy's IF filter, envelope, scipy's audio filters."""
    rng = np.random.default_rng(1945)
    count = int(SAMPLE_RATE_HZ * (seconds + 0.1))
    time_s = np.arange(count) / SAMPLE_RATE_HZ
    bandwidth_hz = EnvelopeReceiver(Receiver(), PLAIN).noise_bandwidth_hz
    noise_rms = sqrt(SAMPLE_RATE_HZ / bandwidth_hz)  # per quadrature: its power is the band's noise of 1 W
    carrier = sqrt(2.0 * 10.0 ** (cn_db / 10.0)) * (
        1.0 + depth_percent / 100.0 * np.cos(2 * np.pi * TONE_HZ * time_s)
    )
    wave = carrier * np.exp(2j * np.pi * offset_hz * time_s)
    wave = wave + noise_rms * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    wave = signal.sosfilt(
        signal.butter(PLAIN.filter_poles, PLAIN.bandwidth_hz / 2, fs=SAMPLE_RATE_HZ, output="sos"), wave
    )
    audio = np.abs(wave)
    for edge_hz, kind in ((300.0, "high"), (3_000.0, "low")):
        audio = signal.sosfilt(signal.butter(4, edge_hz, kind, fs=SAMPLE_RATE_HZ, output="sos"), audio)
    return np.asarray(audio[int(0.1 * SAMPLE_RATE_HZ) :])


def sinad_db(audio: np.ndarray) -> float:
    """Return SINAD with the tone taken out over whole periods."""
    time_s = np.arange(len(audio)) / SAMPLE_RATE_HZ
    tone = abs(2 * np.mean(audio * np.exp(-2j * np.pi * TONE_HZ * time_s))) ** 2 / 2
    total = np.mean(audio**2)
    return float(10 * np.log10(total / (total - tone)))


@pytest.mark.parametrize("amplitude", [0.0, 0.3, 1.0, 3.0, 30.0])
def test_mean_envelope_is_rices(amplitude: float) -> None:
    """The mean envelope in noise is that of scipy's Rice distribution, its slope the difference of two of them."""
    found = float(envelope_mean(np.array([amplitude]), 2.0)[0])
    assert found == pytest.approx(stats.rice.mean(amplitude / 2.0, scale=2.0), rel=1e-6)
    step = 1e-3
    higher, lower = (
        stats.rice.mean(max(0.0, amplitude + d) / 2.0, scale=2.0) for d in (step, -min(step, amplitude))
    )
    slope = (higher - lower) / (step + min(step, amplitude))
    assert float(envelope_slope(np.array([amplitude]), 2.0)[0]) == pytest.approx(slope, abs=1e-3)


@pytest.mark.parametrize("cn_db", [-3.0, 0.0, 3.0, 6.0, 10.0, 20.0])
@pytest.mark.parametrize(("depth_percent", "offset_hz"), [(30.0, 0.0), (60.0, 0.0), (60.0, 1_500.0)])
def test_sinad_agrees_with_the_wave(cn_db: float, depth_percent: float, offset_hz: float) -> None:
    """SINAD agrees with the simulated wave within 0.7 dB, below, in and above the envelope detector's threshold."""
    measured_db = sinad_db(detect(cn_db, depth_percent, offset_hz, seconds=6.0))
    assert heard(cn_db, depth_percent, offset_hz).sinad_db == pytest.approx(measured_db, abs=0.7)


@pytest.mark.parametrize("cn_db", [0.0, 6.0, 20.0])
def test_noise_beside_the_carrier_agrees_with_the_wave(cn_db: float) -> None:
    """Audio noise with the unmodulated carrier on agrees with the simulated wave within 0.4 dB."""
    audio = detect(cn_db, 0.0, 0.0, seconds=6.0)
    noise = heard(cn_db, 0.0).gaussian / agc_scale(PLAIN.agc, -60.0)
    assert 10 * log10(noise) == pytest.approx(10 * log10(float(np.mean(audio**2))), abs=0.4)


@pytest.mark.parametrize("depth_percent", [30.0, 60.0])
def test_far_above_threshold_it_is_the_textbook_ratio(depth_percent: float) -> None:
    """(S+N)/N - 1 is m²·C/(2·N0·W), W the audio band of 300 Hz to 3 kHz (any textbook), within 0.3 dB."""
    content = heard(30.0, depth_percent)
    bandwidth_hz = EnvelopeReceiver(Receiver(), PLAIN).noise_bandwidth_hz
    ratio = (depth_percent / 100) ** 2 * 1e3 * bandwidth_hz / (2 * 2_700.0)
    # the filters' edges of 10 poles at 3 kHz and 8 at 3 kHz take a little of W
    assert 10 * log10(content.signal / content.gaussian) == pytest.approx(10 * log10(ratio), abs=0.5)


@settings(deadline=None)
@given(cn_db=st.floats(-10, 40), step_db=st.floats(0.1, 20), depth_percent=st.floats(10, 90))
def test_sinad_rises_with_the_carrier(cn_db: float, step_db: float, depth_percent: float) -> None:
    """More carrier is never less SINAD."""
    assert heard(cn_db + step_db, depth_percent).sinad_db >= heard(cn_db, depth_percent).sinad_db - 1e-9


def live(am: AmMode | None = None) -> tuple[SimulatedUnit, VirtualClock]:
    """Return an AM set on channel 20, warmed up."""
    clock = VirtualClock()
    specimen = Specimen(serial="T", modes=("AM",), am=am or AmMode())
    unit = SimulatedUnit(specimen, clock, np.random.default_rng(1))
    unit.set_supply_v(13.2)
    unit.set_channel(20)
    clock.wait_s(1_000.0)
    return unit, clock


def level_v(unit: SimulatedUnit, clock: VirtualClock, level_dbm: float, depth_percent: float) -> float:
    """Return the audio at rest."""
    unit.apply_rf(RfSignal(level_dbm=level_dbm, frequency_hz=unit.tuned_hz, am_depth_percent=depth_percent))
    clock.wait_s(5.0)
    return unit.audio_level_v(50.0)


def test_ten_db_signal_plus_noise_to_noise_at_a_level_of_its_class() -> None:
    """With 30 % and the unmodulated carrier for noise, 10 dB lies between 0.3 and 1 µV pd (common practice, no source)."""
    unit, clock = live()
    ratios = {
        level_dbm: 20 * log10(level_v(unit, clock, level_dbm, 30.0) / level_v(unit, clock, level_dbm, 0.0))
        for level_dbm in (-117.4, -107.0)
    }
    assert ratios[-117.4] < 10.0 < ratios[-107.0]


def test_agc_holds_the_audio() -> None:
    """From -95 to -25 dBm the audio of a sound set moves less than 6 dB; with a weak AGC by 28 dB (0.4 dB per dB)."""
    for slope, least_db, most_db in ((0.05, 2.0, 6.0), (0.4, 27.0, 29.0)):
        unit, clock = live(AmMode(receiver=AmReceiver(agc=Agc(slope=slope))))
        unit.set_knobs(type(unit.knobs)(volume=0.02))  # softly: the loudspeaker must not clip
        span_db = 20 * log10(level_v(unit, clock, -25.0, 60.0) / level_v(unit, clock, -95.0, 60.0))
        assert least_db < span_db < most_db


def test_agc_follows_with_its_time_constants() -> None:
    """A carrier that falls 40 dB is 18 dB down one decay constant later only in the AGC's memory: audio has to recover."""
    unit, clock = live(AmMode(receiver=AmReceiver(agc=Agc(decay_s=0.5))))
    before_v = level_v(unit, clock, -60.0, 60.0)
    unit.apply_rf(RfSignal(level_dbm=-90.0, frequency_hz=unit.tuned_hz, am_depth_percent=60.0))
    clock.wait_s(0.1)
    soon_v = unit.audio_level_v(0.01)
    clock.wait_s(5.0)
    assert soon_v < 0.2 * before_v
    assert unit.audio_level_v(0.01) == pytest.approx(before_v, rel=0.25)


def test_distortion_grows_with_depth_and_overload() -> None:
    """At 30 % distortion is as stated, at 90 % some three times that; near overload it rises again."""
    am = AmReceiver(distortion_percent=1.5, hum_percent=0.0, overload_dbm=-10.0)

    def percent(carrier_dbm: float, depth_percent: float) -> float:
        content = EnvelopeReceiver(Receiver(), am).hear(
            RfSignal(level_dbm=0.0, frequency_hz=27e6, am_depth_percent=depth_percent),
            carrier_w=10 ** (carrier_dbm / 10 - 3),
            noise_w=1e-17,
            offset_hz=0.0,
            agc_dbm=carrier_dbm,
        )
        return 100 * sqrt(content.distortion / content.signal)

    assert percent(-50.0, 30.0) == pytest.approx(1.5, abs=0.1)
    assert percent(-50.0, 90.0) == pytest.approx(4.5, abs=0.3)
    assert percent(-10.0, 30.0) == pytest.approx(6.5, abs=0.3)


# --- transmitter ---


def sent(transmitter: AmTransmitter, level_v: float, tone_hz: float = 1_000.0):
    """Return the emission of a set at nominal supply."""
    specimen = Specimen(serial="T", modes=("AM",), am=AmMode(transmitter=transmitter))
    tones = (Tone(frequency_hz=tone_hz, level_v=level_v),) if level_v else ()
    return emit(specimen, Keyed(mode="AM", frequency_hz=27.205e6, tones=tones, supply_v=13.2))


def test_powers_of_a_modulated_carrier() -> None:
    """4 W at 60 % is 4.72 W on average and 10.24 W PEP (derived from the AM formula); unmodulated both are 4 W."""
    clean = AmTransmitter(carrier_w=4.0, asymmetry_percent=0.0, distortion_percent=0.0)
    emission = sent(clean, 0.010)
    assert emission.power_w == pytest.approx(4.72, abs=0.01)
    assert emission.peak_w == pytest.approx(10.24, abs=0.05)
    silent = sent(clean, 0.0)
    assert (silent.power_w, silent.peak_w) == (pytest.approx(4.0), pytest.approx(4.0))


def test_limited_depth_and_its_peak_power() -> None:
    """At 20 dB above normal drive the limiter holds 85 %: PEP 13.69 W of a 4 W carrier (47 CFR 95.975, derived)."""
    emission = sent(AmTransmitter(carrier_w=4.0, limit_percent=85.0, asymmetry_percent=0.0), 0.1)
    assert emission.depth_positive_percent == pytest.approx(85.0, abs=0.5)
    assert emission.depth_negative_percent == pytest.approx(85.0, abs=0.5)
    assert emission.peak_w == pytest.approx(13.69, abs=0.1)


def test_unequal_peaks() -> None:
    """With 10 % asymmetry at normal drive the upward peak is 63 % and the downward one 57 %."""
    emission = sent(AmTransmitter(asymmetry_percent=10.0), 0.010)
    assert emission.depth_positive_percent == pytest.approx(63.0, abs=0.5)
    assert emission.depth_negative_percent == pytest.approx(57.0, abs=0.5)


def test_over_modulation_cuts_the_troughs_off() -> None:
    """Without a limiter the upward peak passes 100 %, the trough stays at 100 % and distortion is gross."""
    emission = sent(AmTransmitter(limit_percent=130.0), 0.1)
    assert emission.depth_positive_percent > 120.0
    assert emission.depth_negative_percent == pytest.approx(100.0)
    assert emission.distortion_percent > 20.0


@settings(deadline=None)
@given(tone_hz=st.floats(300, 3_000), drive_db=st.floats(-30, 30))
def test_limiter_holds_at_any_drive_and_powers_agree(tone_hz: float, drive_db: float) -> None:
    """No tone passes the limit, and average power is the carrier's with its lines' (Parseval)."""
    transmitter = AmTransmitter(asymmetry_percent=0.0, distortion_percent=0.0)
    modulation = am_modulation(
        transmitter, (Tone(frequency_hz=tone_hz, level_v=0.010 * 10 ** (drive_db / 20)),)
    )
    assert max(modulation.positive_percent, modulation.negative_percent) <= 92.0 * (1 + 1e-9)
    power = 1.0 + sum(abs(line.amplitude) ** 2 / 2 for line in modulation.lines)
    assert modulation.mean_square == pytest.approx(power, rel=1e-4)
