"""The decoder of signalling below speech, against noise that is drawn here, and a filter's own formula."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.radio.decoder import Decoder, DecoderSwitch, noise_below
from sim.rf_signal import Below

RATE_HZ, SECONDS = 4_000.0, 2_000.0


def _power_below(swing: np.ndarray) -> float:
    """Return the power of a swing from 60 to 260 Hz, Hz²."""
    power = np.abs(np.fft.rfft(swing)) ** 2 * 2.0 / len(swing) ** 2
    at_hz = np.fft.rfftfreq(len(swing), 1.0 / RATE_HZ)
    return float(power[(at_hz >= 60.0) & (at_hz <= 260.0)].sum())


def test_clicks_make_the_noise_that_drawn_clicks_make() -> None:
    """50 clicks a second, each a turn of phase (an area of 1 Hz s, Rice 1963), at random times and signs, within 3 %."""
    rng, count = np.random.default_rng(5), round(RATE_HZ * SECONDS)
    swing = np.zeros(count)
    number = int(rng.poisson(50.0 * SECONDS))
    np.add.at(swing, rng.integers(0, count, number), rng.choice((-1.0, 1.0), number) * RATE_HZ)
    assert noise_below(50.0, 1e12, 8_000.0) == pytest.approx(_power_below(swing), rel=0.03)


def test_smooth_noise_is_that_of_a_carrier_in_drawn_noise() -> None:
    """A carrier 20 dB above white noise in a band of 4 kHz: the frequency of the sum, differentiated here, within 5 %."""
    rng, count, ratio = np.random.default_rng(6), round(RATE_HZ * 200.0), 100.0
    noise = rng.standard_normal((2, count)) * math.sqrt(0.5 / ratio)
    phase = np.unwrap(np.angle(1.0 + noise[0] + 1j * noise[1]))
    swing = np.gradient(phase) * RATE_HZ / (2.0 * math.pi)
    assert noise_below(0.0, ratio, RATE_HZ) == pytest.approx(_power_below(swing), rel=0.08)


def test_its_filter_parts_a_tone_from_the_tones_beside_it() -> None:
    """At half its bandwidth off half of the power passes, so that as much is heard as is kept out: 0 dB. Beside it far less."""
    decoder = Decoder(tone_hz=88.5, bandwidth_hz=3.0)

    def heard_db(tone_hz: float) -> float:
        return decoder.heard_db(Below(deviation_hz=300.0, tone_hz=tone_hz), capture=1.0, noise_hz2=0.0)

    assert heard_db(90.0) == pytest.approx(0.0, abs=1e-9)
    assert heard_db(85.4) < -10.0
    assert heard_db(91.5) < -10.0
    assert decoder.heard_db(None, capture=1.0, noise_hz2=1.0) == -math.inf
    code = Below(deviation_hz=300.0, bits="1" * 23, bit_rate=134.4)
    assert decoder.heard_db(code, capture=1.0, noise_hz2=1.0) == -math.inf


def test_it_takes_its_time_to_open_and_to_shut() -> None:
    """Not before its time to detect, not after a break, and shut again after its time to release."""
    decoder = Decoder(tone_hz=88.5, detect_s=0.2, release_s=0.1, jitter_db=0.0)
    switch = DecoderSwitch(decoder, lambda now_s: False, np.random.default_rng(1))
    switch.see(20.0, 0.0)
    assert not switch.is_open(0.19, carrier=True)
    switch.see(-20.0, 0.19)
    switch.see(20.0, 0.2)
    assert not switch.is_open(0.39, carrier=True)
    assert switch.is_open(0.41, carrier=True)
    switch.see(-20.0, 1.0)
    assert switch.is_open(1.09, carrier=True)
    assert not switch.is_open(1.11, carrier=True)


def test_a_specimen_s_decoder_listens_for_one_thing() -> None:
    """A tone or a code, and octal digits."""
    with pytest.raises(ValueError, match="a tone or a code"):
        Decoder()
    with pytest.raises(ValueError, match="a tone or a code"):
        Decoder(tone_hz=88.5, code="023")
    with pytest.raises(ValueError, match="octal"):
        Decoder(code="028")
