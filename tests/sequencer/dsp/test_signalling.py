"""Tones and codes recognised in waves that numpy and scipy make here: no formula of the simulator's.

Published: code 023 as it is sent (descriptions of the code; 0x763813, last bit highest); the list of 83 codes; spacing of tones 67.0 and
69.3 Hz (data sheets of tone chips).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import signal

from sequencer.checks.shared.asked.signalling_lists import lists
from sequencer.dsp.samples import SamplesError
from sequencer.dsp.signalling import (
    CodeHeard,
    Nothing,
    ToneHeard,
    bits_apart,
    hear_below_speech,
    hear_two_tones,
    inverted,
    word_of,
)

RATE_HZ = 16e3
SECONDS = 0.6
PUBLISHED_023 = tuple(map(int, "11001000000111000110111"))


def carrier(
    swing_hz: np.ndarray, *, offset_hz: float = 350.0, noise_hz: float = 12.0, seed: int = 5
) -> np.ndarray:
    """Return a carrier swung by so much, off its channel, with noise of so many hertz rms in the band of speech."""
    rng = np.random.default_rng(seed)
    band = signal.butter(4, (300.0, 3_000.0), "bandpass", fs=RATE_HZ, output="sos")
    hiss = signal.sosfilt(band, rng.standard_normal(len(swing_hz)))
    swung = swing_hz + offset_hz + noise_hz * hiss / hiss.std()
    return 0.1 * np.exp(2j * np.pi * np.cumsum(swung) / RATE_HZ)


def times_s() -> np.ndarray:
    """Return the moments of the samples."""
    return np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ


def levels(
    bits: tuple[int, ...], *, bit_rate: float, deviation_hz: float, start_s: float = 0.0
) -> np.ndarray:
    """Return a word sent again and again, behind a filter of second order at 250 Hz."""
    at = np.floor((times_s() + start_s) * bit_rate).astype(int) % len(bits)
    held = np.where(np.array(bits)[at] == 1, deviation_hz, -deviation_hz)
    sos = signal.butter(2, 250.0, fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfilt(sos, held, zi=signal.sosfilt_zi(sos) * held[0])[0])


@pytest.mark.parametrize("tone_hz", [67.0, 69.3, 88.5, 250.3])
def test_a_tone_is_found_to_a_hundredth_of_a_hertz(tone_hz: float) -> None:
    """67.0 and 69.3 Hz are told apart, whatever phase the record begins at; the deviation is the wave's, to half a percent."""
    for phase in (0.0, 1.0, 2.5):
        heard = hear_below_speech(carrier(400.0 * np.cos(2 * np.pi * tone_hz * times_s() + phase)), RATE_HZ)
        assert isinstance(heard, ToneHeard)
        assert heard.frequency_hz == pytest.approx(tone_hz, abs=0.02)
        assert heard.deviation_hz == pytest.approx(400.0, rel=0.005)


@pytest.mark.parametrize("start_s", [0.0, 0.003, 0.11])
@pytest.mark.parametrize("bit_rate", [134.4, 132.0, 137.0])
def test_a_code_is_found_wherever_the_record_begins(start_s: float, bit_rate: float) -> None:
    """The published word of 023, its clock to 0.1 % and its levels to 2 %; its inverse is told from it."""
    swing = levels(PUBLISHED_023, bit_rate=bit_rate, deviation_hz=300.0, start_s=start_s)
    heard = hear_below_speech(carrier(swing), RATE_HZ)
    assert isinstance(heard, CodeHeard)
    assert bits_apart(heard.word, PUBLISHED_023) == 0
    assert bits_apart(heard.word, inverted(PUBLISHED_023)) == 7
    assert heard.bit_rate == pytest.approx(bit_rate, rel=1e-3)
    assert heard.deviation_hz == pytest.approx(300.0, rel=0.02)


def test_every_listed_code_is_itself_and_no_other() -> None:
    """023 has the published word; of all 83 no two are nearer than the seven bits of a Golay code, whichever way they are turned."""
    words = [word_of(code) for code in lists().codes.octal]
    assert word_of("023") == PUBLISHED_023
    assert len(set(words)) == 83
    assert {
        bits_apart(one, other)
        for one, other in itertools.islice(itertools.combinations(words, 2), 0, 3403, 7)
    } <= {7, 8, 11, 12}


def test_code_023_inverted_is_code_047() -> None:
    """As published tables of normal and inverted codes pair them."""
    assert bits_apart(inverted(word_of("023")), word_of("047")) == 0
    assert bits_apart(inverted(word_of("025")), word_of("244")) == 0


def test_a_carrier_without_any_of_it_has_nothing() -> None:
    """Hiss in the band of speech alone is no tone and no code, on twenty draws."""
    for seed in range(20):
        assert isinstance(hear_below_speech(carrier(0.0 * times_s(), seed=seed), RATE_HZ), Nothing)


def test_a_word_of_other_length_is_no_code() -> None:
    """Levels that change by a clock and do not come again every 23 bits."""
    rng = np.random.default_rng(1)
    swing = levels(tuple(rng.integers(0, 2, 200)), bit_rate=134.4, deviation_hz=300.0)
    assert not isinstance(hear_below_speech(carrier(swing), RATE_HZ), CodeHeard)


def test_two_tones_are_found_each_by_itself() -> None:
    """770 and 1209 Hz, the higher 2 dB stronger; 3.5 % off is told as it is, and a lower one that is missing as missing."""
    for low_hz in (770.0, 797.0):
        swing = 400.0 * np.cos(2 * np.pi * low_hz * times_s()) + 503.6 * np.sin(
            2 * np.pi * 1_209.0 * times_s()
        )
        low, high = hear_two_tones(carrier(swing), RATE_HZ, (770.0, 1_209.0), 0.05)
        assert low is not None
        assert high is not None
        assert (low.frequency_hz, high.frequency_hz) == pytest.approx((low_hz, 1_209.0), abs=0.1)
        assert 20 * np.log10(high.deviation_hz / low.deviation_hz) == pytest.approx(2.0, abs=0.15)
    single = 500.0 * np.sin(2 * np.pi * 1_209.0 * times_s())
    assert hear_two_tones(carrier(single), RATE_HZ, (770.0, 1_209.0), 0.05)[0] is None


def test_a_carrier_that_breaks_off_is_refused() -> None:
    """Samples that were lost, or a carrier that went: nothing is read of it."""
    wave = carrier(400.0 * np.cos(2 * np.pi * 88.5 * times_s()))
    wave[4_000:4_200] = 0.0
    with pytest.raises(SamplesError, match="the carrier breaks off: 200 of 9600 samples"):
        hear_below_speech(wave, RATE_HZ)
