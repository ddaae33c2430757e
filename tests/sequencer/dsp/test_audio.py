"""Audio readings against closed-form signals, published SINAD figures and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from sequencer.dsp.audio import (
    combine,
    find_tone,
    read_audio,
    read_level,
    signal_plus_noise_to_noise_db,
    signal_to_noise_db,
)
from sequencer.dsp.samples import SamplesError
from sequencer.dsp.weighting import PSOPHOMETRIC, SPEECH_BAND, band

RATE = 48_000
WIDE = band(0.0, 20_000.0)


def tone(frequency_hz, level=1.0, *, seconds=0.5, phase=0.3, rate=RATE):
    """Return samples of a tone of rms ``level``."""
    times = np.arange(round(seconds * rate)) / rate
    return math.sqrt(2) * level * np.sin(2 * np.pi * frequency_hz * times + phase)


def noise(level, *, seconds=0.5, seed=1, rate=RATE):
    """Return white noise whose rms within 300 to 3000 Hz is ``level`` on average."""
    rng = np.random.default_rng(seed)
    return level * math.sqrt(rate / 2 / 2700) * rng.standard_normal(round(seconds * rate))


@pytest.mark.parametrize(
    ("sinad_db", "of_total", "of_tone"),
    [
        (3, 70.79, 100.24),
        (6, 50.12, 57.92),
        (10, 31.62, 33.33),
        (12, 25.119, 25.95),
        (14, 19.95, 20.36),
        (17, 14.13, 14.27),
        (20, 10.00, 10.05),
        (26, 5.012, 5.018),
        (30, 3.162, 3.164),
        (40, 1.000, 1.000),
        (60, 0.1000, 0.1000),
    ],
)
def test_sinad_against_distortion(sinad_db, of_total, of_tone):
    """SINAD against distortion in % of all and of the tone (12 dB 25 %, 20 dB 10 %, 40 dB 1 % are published)."""
    reading = read_audio(tone(1000) + tone(2000, of_tone / 100, phase=1.1), RATE, 1000)
    assert reading.sinad_db == pytest.approx(sinad_db, abs=5e-3)
    assert reading.residual_percent == pytest.approx(of_total, rel=5e-4)
    assert reading.thd_percent == pytest.approx(of_tone, rel=1e-5)


def test_tenth_of_second_harmonic():
    """A fundamental with 10 % of second harmonic: SINAD 20.043 dB, THD 10 %, 9.95 % of the total."""
    reading = read_audio(tone(1003.7) + tone(2007.4, 0.1), RATE, 1000)
    assert round(reading.sinad_db, 3) == 20.043
    assert reading.thd_percent == pytest.approx(10.0, abs=1e-4)
    assert reading.residual_percent == pytest.approx(9.95, abs=5e-3)


@pytest.mark.parametrize(("one", "other", "both"), [(20, 20, 16.99), (15, 20, 13.81), (70, 60, 59.59)])
def test_noise_and_distortion_add_in_power(one, other, both):
    """Published sums of S/N and THD as S/(N+D): 20 and 20 give 16.99 dB, 15 and 20 13.81, 70 and 60 59.59."""
    spur = tone(1730, 10 ** (-one / 20))
    reading = read_audio(tone(1000) + spur + tone(2000, 10 ** (-other / 20)), RATE, 1000)
    assert signal_to_noise_db(reading.sinad_db) == pytest.approx(both, abs=6e-3)
    assert reading.signal_to_noise_db == pytest.approx(one, abs=1e-3)


def test_square_wave():
    """A square wave has a THD of 48.34 % (sqrt(pi^2/8 - 1)), of which its harmonics to the 9th hold 42.88 %."""
    odd = sum(tone(1000 * k, 1 / k, phase=0.0) for k in (1, 3, 5, 7, 9))
    expected = 100 * math.sqrt(1 / 9 + 1 / 25 + 1 / 49 + 1 / 81)
    assert read_audio(odd, RATE, 1000, weighting=WIDE).thd_percent == pytest.approx(expected, rel=1e-5)
    assert expected == pytest.approx(42.88, abs=0.005)


def test_quantised_sine():
    """A sine in n bits has a SINAD of 6.02 n + 1.76 dB (published: 12 bit 74.0, 16 bit 98.08)."""
    sine = np.sin(2 * np.pi * 997.137 * np.arange(RATE) / RATE)
    for bits, expected in ((12, 74.0), (16, 98.08)):
        steps = 2.0 ** (bits - 1)
        reading = read_audio(np.round(sine * steps) / steps, RATE, 1000, weighting=band(0, RATE / 2))
        assert reading.sinad_db == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("sinad_db", [1.0, 6.0, 12.0, 20.0])
@pytest.mark.parametrize("seconds", [0.1, 0.25])
def test_noise_of_known_power(sinad_db, seconds):
    """Over 40 records the mean residual is the noise put in, also at 0.1 s: the notch hides none of it."""
    level = 1 / math.sqrt(10 ** (sinad_db / 10) - 1)
    readings = [
        read_audio(tone(1000.4, seconds=seconds, phase=i) + noise(level, seconds=seconds, seed=i), RATE, 1000)
        for i in range(40)
    ]
    whole = combine(readings)
    # Each record holds 2700 Hz times its length independent lines; four standard errors.
    assert whole.sinad_db == pytest.approx(sinad_db, abs=4 * 4.34 / math.sqrt(40 * 2700 * seconds) + 0.02)


def test_sinad_against_scipy():
    """On a tone that fits the record the residual is what scipy's periodogram holds in the band beside it."""
    samples = tone(1000) + noise(0.2) + tone(100, 0.5) + 0.3
    frequencies, density = signal.periodogram(samples, RATE, detrend="constant")
    inside = (frequencies >= 300) & (frequencies <= 3000)
    total = density[inside].sum()
    residual = density[inside & (frequencies != 1000)].sum()
    expected = 10 * math.log10(total / residual)
    assert read_audio(samples, RATE, 1000).sinad_db == pytest.approx(expected, abs=0.02)


def test_weighting_covers_tone_and_residual():
    """Behind the psophometric filter a 1 kHz tone reads 1 dB more, and the residual as O.41 weights it."""
    samples = tone(1000) + tone(3000, 0.1)
    flat, weighted = read_audio(samples, RATE, 1000), read_audio(samples, RATE, 1000, weighting=PSOPHOMETRIC)
    assert 10 * math.log10(weighted.tone_power / flat.tone_power) == pytest.approx(1.0, abs=1e-6)
    assert 10 * math.log10(weighted.harmonic_power / flat.harmonic_power) == pytest.approx(-5.6, abs=1e-6)


def test_click_counts_as_the_power_it_is():
    """A click in one block of ten lowers the SINAD by its power; averaged decibels would hide most of it."""
    click = np.zeros(5 * RATE // 10)
    click[RATE // 20 :: RATE] = 40.0
    samples = tone(1000) + noise(0.1) + click
    whole = read_audio(samples, RATE, 1000)
    blocks = read_audio(samples, RATE, 1000, block_s=0.05)
    assert blocks.sinad_db == pytest.approx(whole.sinad_db, abs=0.3)
    parts = [read_audio(block, RATE, 1000) for block in np.split(samples, 10)]
    assert combine(parts).sinad_db == pytest.approx(blocks.sinad_db, abs=0.1)
    assert np.mean([part.sinad_db for part in parts]) > blocks.sinad_db + 1.0
    # The click's energy is 40^2 over one sample, 2700 of its 24000 Hz within the band.
    expected = 0.1**2 + 40.0**2 / len(samples) * 2700 / 24_000
    assert whole.noise_power == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize("frequency_hz", [50.3, 400.0, 997.1234, 2505.5, 19_000.7])
def test_frequency_of_a_tone(frequency_hz):
    """The frequency of a clean tone is found to a millionth of a hertz, wherever it lies between the lines."""
    found = find_tone(tone(frequency_hz, 0.7) + 0.2, RATE)
    assert found.frequency_hz == pytest.approx(frequency_hz, abs=1e-6)
    assert found.level == pytest.approx(0.7, rel=1e-6)


def test_frequency_of_a_noisy_tone_reaches_the_bound():
    """The scatter of the frequency is the Cramer-Rao bound sqrt(12 / (snr n)) / (2 pi T) (estimation texts)."""
    seconds, level = 0.1, 0.5
    count = round(seconds * RATE)
    errors = [
        find_tone(
            tone(1000.3, seconds=seconds, phase=i) + level * np.random.default_rng(i).standard_normal(count),
            RATE,
        ).frequency_hz
        - 1000.3
        for i in range(200)
    ]
    bound = math.sqrt(12 / ((1 / level**2) * count)) / (2 * math.pi * seconds)
    assert 0.85 < np.std(errors) / bound < 1.15
    assert abs(np.mean(errors)) < 4 * bound / math.sqrt(200)


def test_noise_without_a_tone():
    """Without a tone SINAD is about 0 dB, no distortion is claimed, and a search for a tone says so."""
    samples = noise(1.0)
    reading = read_audio(samples, RATE, 1000)
    assert not reading.tone.found
    assert 0 <= reading.sinad_db < 0.1
    assert reading.thd_percent is None
    with pytest.raises(SamplesError, match="no tone stands out of the noise between 20 and 24000 Hz"):
        find_tone(samples, RATE)


def test_perfect_tone_has_a_finite_sinad():
    """A tone without any residual reads beyond 250 dB, not infinity."""
    assert 250 < read_audio(tone(1000), RATE, 1000).sinad_db < 350


def test_two_records():
    """(S+N)/N from a record with and one without signal: 10 mW and 1 mW make 10 dB (US Army HF manual, AM)."""
    assert signal_plus_noise_to_noise_db(tone(400, math.sqrt(10)), tone(1300, 1.0), RATE) == pytest.approx(
        10.0
    )


@pytest.mark.parametrize(
    ("given_db", "expected"), [(3.0103, 0), (10, 9.542), (12, 11.717), (14, 13.824), (20, 19.956)]
)
def test_signal_to_noise_of_a_ratio(given_db, expected):
    """S/N for a (S+N)/N in dB; a public list's example has 12 dB as 15.85 - 1 = 14.85."""
    assert signal_to_noise_db(given_db) == pytest.approx(expected, abs=6e-4)
    assert signal_to_noise_db(0.0) is None
    assert 10 ** (signal_to_noise_db(12) / 10) == pytest.approx(14.85, abs=5e-3)


def test_single_record_ratios_agree():
    """Of one record (S+N)/N and S/N differ as the definition says, and without harmonics SINAD is the former."""
    reading = read_audio(tone(1000) + tone(1730, 0.25), RATE, 1000)
    assert signal_to_noise_db(reading.signal_plus_noise_to_noise_db) == pytest.approx(
        reading.signal_to_noise_db
    )
    assert reading.signal_plus_noise_to_noise_db == pytest.approx(reading.sinad_db, abs=1e-4)


def test_level_without_dc():
    """The level of a tone of 1 V rms on a DC of 3 V is 1 V, and outside the band nothing."""
    assert read_level(tone(1000) + 3.0, RATE) == pytest.approx(1.0, rel=1e-9)
    assert read_level(tone(5000), RATE) == pytest.approx(0.0, abs=1e-9)
    assert read_audio(tone(1000) + 3.0, RATE, 1000).dc == pytest.approx(3.0, abs=1e-9)
    assert read_audio(tone(1000), RATE, 1000).level == pytest.approx(1.0)


def test_noise_under_the_tone_is_counted():
    """Of noise with equal lines and no tone, what the notch took along is put back: nothing is lost."""
    lines = np.exp(2j * np.pi * np.random.default_rng(9).random(2401)) * np.r_[0.0, np.ones(2400)]
    samples = np.fft.irfft(lines)
    beyond_a_harmonic = band(300, 3105)
    reading = read_audio(samples, RATE, 1000, weighting=beyond_a_harmonic)
    total = read_level(samples, RATE, weighting=beyond_a_harmonic) ** 2
    assert reading.noise_power + reading.harmonic_power == pytest.approx(total, rel=1e-3)
    assert reading.tone_power == pytest.approx(0.0, abs=1e-3 * reading.noise_power)


@pytest.mark.parametrize("count", [4800, 4801])
def test_no_power_is_lost_up_to_half_the_sample_rate(count):
    """Over the whole band the level is the standard deviation of the samples (Parseval), odd or even in number."""
    samples = np.random.default_rng(1).standard_normal(count) + 3 * (-1.0) ** np.arange(count)
    assert read_level(samples, RATE, weighting=band(0, RATE / 2)) == pytest.approx(samples.std(), rel=2e-3)


records = st.builds(
    lambda level, seed, frequency: tone(frequency, seconds=0.1) + noise(level, seconds=0.1, seed=seed),
    st.floats(0.01, 3.0),
    st.integers(0, 1000),
    st.floats(985.0, 1015.0),
)


@settings(max_examples=25, deadline=None)
@given(records, st.floats(1e-6, 1e6), st.booleans())
def test_scale_and_sign_change_nothing(samples, scale, flipped):
    """SINAD does not depend on the unit of the samples or on their sign."""
    other = samples * (-scale if flipped else scale)
    assert read_audio(other, RATE, 1000).sinad_db == pytest.approx(
        read_audio(samples, RATE, 1000).sinad_db, abs=1e-6
    )


@settings(max_examples=25, deadline=None)
@given(records, st.floats(-100, 100))
def test_dc_changes_nothing(samples, dc):
    """A DC beside the audio changes neither SINAD nor level."""
    one, other = read_audio(samples, RATE, 1000), read_audio(samples + dc, RATE, 1000)
    assert other.sinad_db == pytest.approx(one.sinad_db, abs=1e-5)
    assert other.level == pytest.approx(one.level, rel=1e-6)


@settings(max_examples=25, deadline=None)
@given(records)
def test_sinad_is_never_negative(samples):
    """SINAD is 0 dB or more by its definition, and at least the S/N of the same record."""
    reading = read_audio(samples, RATE, 1000)
    assert reading.sinad_db >= 0
    assert reading.tone_power >= 0


@settings(max_examples=15, deadline=None)
@given(st.floats(0.05, 0.5), st.integers(0, 100), st.sampled_from([16_000, 32_000, 44_100, 96_000]))
def test_sample_rate_changes_nothing(level, seed, rate):
    """The same tone and spurs read the same at any sample rate that reaches the band."""
    parts = [(1000.0, 1.0), (700.0 + seed, level), (2000.0, level / 2)]
    readings = [read_audio(sum(tone(f, a, rate=r) for f, a in parts), r, 1000).sinad_db for r in (RATE, rate)]
    assert readings[1] == pytest.approx(readings[0], abs=0.02)


def test_long_record_is_read_in_blocks():
    """Six seconds of samples are read one after the other, and come to what one second of it does."""
    rate = 12_000
    samples = np.tile(tone(1000, seconds=1.0, rate=rate) + tone(1700, 0.1, seconds=1.0, rate=rate), 6)
    reading = read_audio(samples, rate, 1000)
    assert reading.seconds == pytest.approx(6.0, abs=0.01)  # a block gives up less than a cycle
    assert reading.sinad_db == pytest.approx(read_audio(samples[:rate], rate, 1000).sinad_db, abs=1e-3)


def test_combining_averages_power():
    """Two readings of equal length combine to the mean of their powers; none, or unlike ones, are refused."""
    one = read_audio(tone(1000) + tone(1700, 0.1), RATE, 1000)
    two = read_audio(tone(1000) + tone(1700, 0.3), RATE, 1000)
    assert combine([one, two]).noise_power == pytest.approx((0.01 + 0.09) / 2, rel=1e-6)
    with pytest.raises(ValueError, match="no readings"):
        combine([])
    with pytest.raises(ValueError, match="different weightings"):
        combine([one, read_audio(tone(1000), RATE, 1000, weighting=PSOPHOMETRIC)])


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: read_audio(tone(100, rate=1000), 1000, 100), r"reach 500 Hz, but the band reaches 3000 Hz"),
        (lambda: read_audio(tone(1000), 0, 1000), "sample rate is 0"),
        (lambda: read_audio(tone(1000), math.nan, 1000), "sample rate is nan"),
        (lambda: read_audio(tone(1000)[:400], RATE, 1000), "hold 8 cycles of a 1000 Hz tone"),
        (lambda: read_audio([], RATE, 1000), "0 samples are too few"),
        (lambda: read_audio(np.zeros((2, 100)), RATE, 1000), "one row of numbers is due"),
        (lambda: read_audio(["a"] * 100, RATE, 1000), "one row of numbers is due"),
        (lambda: read_audio(tone(1000) * 1j, RATE, 1000), "complex samples where audio is due"),
        (lambda: read_audio(np.where(tone(1000) > 1, np.nan, 0), RATE, 1000), "are not finite numbers"),
        (lambda: read_audio(tone(1000, 1e200), RATE, 1000), "beyond 1e\\+100 are beyond arithmetic"),
        (lambda: read_audio(tone(1000, 1e-200), RATE, 1000), "silence"),
        (lambda: read_audio(np.full(RATE, 0.7), RATE, 1000), "silence"),
        (lambda: read_audio(np.zeros(RATE), RATE, 1000), "silence"),
        (lambda: read_audio(tone(1000) + 1e6, RATE, 1000), "DC of 1e\\+06 drowns"),
        (lambda: read_audio(np.clip(tone(1000), -1, 1), RATE, 1000, full_scale=1), "are clipped"),
        (
            lambda: read_audio(np.clip(tone(1000) * 30_000, -32_768, 32_767).astype(np.int16), RATE, 1000),
            "clipped at full scale. Lower the audio level",
        ),
        (lambda: read_audio(tone(1000), RATE, 1000, full_scale=0), "full scale is 0"),
        (lambda: read_audio(tone(1000), RATE, 30_000), "tone of 30000 Hz in samples that reach 24000 Hz"),
        (lambda: read_audio(tone(1000), RATE, -1), "tone of -1 Hz"),
        (lambda: read_audio(tone(5000), RATE, 5000), "lies outside the weighting"),
        (lambda: read_audio(tone(1000), RATE, 1000, block_s=0), "blocks of 0 s"),
        (lambda: read_audio(tone(1000), RATE, 1000, block_s=0.005), "hold 5 cycles"),
        (lambda: find_tone(tone(1000), RATE, lower_hz=2000, upper_hz=1000), "no band between"),
        (lambda: find_tone(tone(1000)[:200], RATE, lower_hz=100, upper_hz=120), "too short"),
        (lambda: signal_plus_noise_to_noise_db(tone(1000), np.zeros(RATE), RATE), "silence"),
    ],
)
def test_unusable_samples_are_named(call, text):
    """Samples on which nothing can be measured are refused with what is wrong and what would do."""
    with pytest.raises(SamplesError, match=text):
        call()


def test_integer_samples_short_of_full_scale_are_read():
    """Integer samples of an analogue converter are read as they are, so long as they stay inside their type."""
    samples = np.round(tone(1000) * 20_000).astype(np.int16)
    reading = read_audio(samples, RATE, 1000)
    assert reading.tone.level == pytest.approx(20_000, rel=1e-5)
    assert reading.weighting == SPEECH_BAND.name


@pytest.mark.parametrize("seconds", [0.1, 0.25, 1.0])
@pytest.mark.parametrize("frequency_hz", [970.0, 1000.0, 1030.0])
def test_a_tone_beside_its_nominal_frequency_is_found(frequency_hz, seconds):
    """3 % off, at 12 dB SINAD, each of 20 records is read within five of its standard uncertainties."""
    for seed in range(20):
        record = tone(frequency_hz, seconds=seconds, phase=seed) + noise(
            (10**1.2 - 1) ** -0.5, seconds=seconds, seed=seed
        )
        reading = read_audio(record, RATE, 1000)
        assert reading.tone.found
        assert abs(reading.sinad_db - 12.0) < 5 * reading.sinad_u_db


def test_a_tone_far_from_its_nominal_frequency_is_refused_and_named():
    """10 % off is another tone: an error that says where it is, not 0 dB of SINAD."""
    with pytest.raises(SamplesError, match=r"a tone stands out at 1100\.0 Hz and none within 5 % of 1000 Hz"):
        read_audio(tone(1100) + noise(0.2), RATE, 1000)


@pytest.mark.parametrize("hum_hz", [50.0, 57.3, 116.7])
@pytest.mark.parametrize("weighting", [SPEECH_BAND, PSOPHOMETRIC, WIDE])
def test_hum_counts_as_what_the_weighting_lets_pass_of_it(hum_hz, weighting):
    """Hum of twice the tone's level, no whole number of cycles in the record: what it adds is its power behind the weighting."""
    seconds = 0.313
    sound = tone(1000, seconds=seconds) + noise(0.1, seconds=seconds)
    quiet = read_audio(sound, RATE, 1000, weighting=weighting)
    humming = read_audio(sound + tone(hum_hz, 2.0, seconds=seconds), RATE, 1000, weighting=weighting)
    passed = 4.0 * float(weighting.power_gain(np.array([hum_hz]))[0])
    assert humming.noise_power == pytest.approx(quiet.noise_power + passed, rel=0.03)


@pytest.mark.parametrize("seconds", [0.1, 0.5])
def test_a_reading_states_the_scatter_that_readings_have(seconds):
    """Of 200 records of one thing the spread is what each states as its standard uncertainty, within a fifth."""
    readings = [
        read_audio(tone(1000, seconds=seconds) + noise(0.26, seconds=seconds, seed=seed), RATE, 1000)
        for seed in range(200)
    ]
    spread = float(np.std([one.sinad_db for one in readings]))
    assert spread == pytest.approx(np.mean([one.sinad_u_db for one in readings]), rel=0.2)


def test_sparse_clicks_widen_what_an_average_states():
    """Ten records of which two hold a click: their spread counts, not the scatter that noise of their bandwidth would have."""
    records = [tone(1000, seconds=0.1) + noise(0.1, seconds=0.1, seed=seed) for seed in range(10)]
    steady = combine([read_audio(one, RATE, 1000) for one in records])
    for one in records[3], records[7]:
        one[2000:2016] += 8.0
    clicking = combine([read_audio(one, RATE, 1000) for one in records])
    assert clicking.sinad_u_db > 5 * steady.sinad_u_db
