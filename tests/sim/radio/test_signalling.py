"""What a specimen sends below speech, against published words and a filter of a general signal library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from sim.radio.signalling import Signalling, lines_of, word_of
from tests.support.spectral import emission

PUBLISHED_023 = (
    "11001000000111000110111"  # descriptions of the code, in the order of sending: 0x763813, last bit highest
)


def wave(of: Signalling, times_s: np.ndarray) -> np.ndarray:
    """Return the deviation that the lines come to, Hz."""
    return sum(
        (line.amplitude * np.exp(2j * np.pi * line.frequency_hz * times_s)).real for line in lines_of(of)
    )


def test_the_word_of_code_023_is_the_published_one() -> None:
    """Twelve bits as they stand, eleven by long division."""
    assert "".join(map(str, word_of("023"))) == PUBLISHED_023


def test_a_code_s_wave_is_that_of_its_levels_behind_two_poles() -> None:
    """Against scipy's filter over levels held for a bit each, without the word's mean: 2 % rms, 8 % at its steps, for lines not kept."""
    of = Signalling(code="023", deviation_hz=300.0)
    rate_hz = 134.4 * 200
    levels = np.repeat([300.0 if bit == "1" else -300.0 for bit in PUBLISHED_023 * 3], 200)
    pole = signal.bilinear([1.0], [1.0 / (2 * np.pi * 300.0), 1.0], rate_hz)
    held = signal.lfilter(*pole, signal.lfilter(*pole, levels))[-23 * 200 :]
    times_s = np.arange(23 * 200) / rate_hz
    apart = wave(of, times_s) - (held - held.mean())
    assert np.sqrt(np.mean(apart**2)) < 0.02 * 300.0
    assert np.abs(apart).max() < 0.08 * 300.0


def test_tones_are_sent_as_they_are_stated_and_nothing_where_nothing_is() -> None:
    """A tone's peak, two tones' peaks by the twist; a specimen without swings its carrier by none of it."""
    one = emission("M40-0071", 1_000.0, 0.0)
    assert [(line.frequency_hz, abs(line.amplitude)) for line in one.signalling] == [(88.5, 300.0)]
    assert one.deviation_positive_hz == 300.0
    two = emission("M40-0075", 1_000.0, 0.0)
    assert [abs(line.amplitude) for line in two.signalling] == pytest.approx([400.0, 400.0 * 10**0.1])
    assert emission("M40-0007", 1_000.0, 0.0).signalling == ()


def test_more_than_one_kind_is_refused() -> None:
    """A specimen sends a tone, a code or two tones."""
    with pytest.raises(ValueError, match="a tone, a code or two tones"):
        Signalling(tone_hz=88.5, code="023")
