"""Several tones fitted together, beside scipy's least squares and the bound of Cramér and Rao.

The bound: S. M. Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, example 3.14 (from memory): of a real tone of
amplitude A in white noise of variance v, N samples T apart, var(f) >= 24 v / ((2 pi T)^2 A^2 N (N^2 - 1)), and var(A) >= 2 v / N.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from sequencer.dsp.tone import tone_between
from sequencer.dsp.tones_together import fit_together

RATE_HZ = 16e3
COUNT = 4_800
TIMES_S = np.arange(COUNT) / RATE_HZ


def wave(*tones: tuple[float, float, float], dc: float = 3.0) -> np.ndarray:
    """Return a record of tones, each by frequency, peak and phase."""
    made = np.full(COUNT, dc)
    for frequency_hz, peak, phase in tones:
        made += peak * np.cos(2 * np.pi * frequency_hz * TIMES_S + phase)
    return made


def test_of_two_tones_without_noise_both_are_right_where_either_alone_is_read_off() -> None:
    """With nothing but the two there is one truth; fitted one at a time, the lower is off by parts in a million."""
    both = wave((770.013, 400.0, 0.4), (1_208.97, 503.0, 2.2))
    low, high = fit_together(both, RATE_HZ, (770.5, 1_208.5))
    assert (low.frequency_hz, high.frequency_hz) == pytest.approx((770.013, 1_208.97), rel=1e-10)
    assert (low.peak, high.peak) == pytest.approx((400.0, 503.0), rel=1e-9)
    assert abs(tone_between(both, RATE_HZ, 740.0, 800.0).frequency_hz - 770.013) > 1e-7 * 770.0


def test_it_comes_to_what_another_least_squares_comes_to() -> None:
    """The same record given to scipy, which makes its own slopes: values and, from its Jacobian, what noise leaves."""
    noise = np.random.default_rng(8).standard_normal(COUNT)
    record = wave((770.0, 400.0, 0.4), (1_209.0, 503.0, 2.2)) + 40.0 * noise
    fitted = fit_together(record, RATE_HZ, (770.0, 1_209.0))

    def off(asked: np.ndarray) -> np.ndarray:
        dc, *rest = asked
        return wave(*zip(*[iter(rest)] * 3, strict=True), dc=dc) - record

    start = [3.0, 770.0, 400.0, 0.4, 1_209.0, 503.0, 2.2]
    other = optimize.least_squares(off, start, x_scale=[1.0, 0.1, 10.0, 0.1, 0.1, 10.0, 0.1], xtol=1e-14)
    spread = np.sqrt(np.diag(np.linalg.inv(other.jac.T @ other.jac)) * 40.0**2)
    for one, at in zip(fitted, (1, 4), strict=True):
        assert one.frequency_hz == pytest.approx(other.x[at], abs=1e-3 * spread[at])
        assert one.peak == pytest.approx(other.x[at + 1], abs=1e-3 * spread[at + 1])
        assert one.frequency_doubt_hz == pytest.approx(spread[at], rel=0.3)
        assert one.peak_doubt == pytest.approx(spread[at + 1], rel=0.3)


def test_its_doubt_is_the_bound_and_is_how_its_figures_scatter() -> None:
    """Over 200 records: the doubt is the bound's, as far as 60 lines of noise tell it, and the figures scatter by it."""
    rng = np.random.default_rng(3)
    bound_hz = math.sqrt(24.0 * 40.0**2 / (400.0**2 * COUNT * (COUNT**2 - 1.0))) * RATE_HZ / (2 * math.pi)
    records = [
        wave((770.0, 400.0, p), (1_209.0, 503.0, q)) + 40.0 * rng.standard_normal(COUNT)
        for p, q in rng.uniform(0.0, 6.3, (200, 2))
    ]
    lower = [fit_together(record, RATE_HZ, (770.0, 1_209.0))[0] for record in records]
    off_hz = np.array([one.frequency_hz - 770.0 for one in lower])
    assert np.mean([one.frequency_doubt_hz for one in lower]) == pytest.approx(bound_hz, rel=0.05)
    assert math.sqrt(np.mean(off_hz**2)) == pytest.approx(bound_hz, rel=0.15)
    assert np.mean([one.peak_doubt for one in lower]) == pytest.approx(
        40.0 * math.sqrt(2.0 / COUNT), rel=0.05
    )


def test_of_noise_that_is_not_white_its_doubt_is_still_how_its_figures_scatter() -> None:
    """Noise that rises with frequency, as behind a demodulator: far off it is a hundred times as strong as at the tone, and leaks to it."""
    rng = np.random.default_rng(4)
    white = rng.standard_normal((200, COUNT + 2))
    lower = [
        fit_together(wave((88.5, 400.0, 1.0)) + 40.0 * np.diff(one, n=2), RATE_HZ, (88.5,))[0]
        for one in white
    ]
    off_hz = np.array([one.frequency_hz - 88.5 for one in lower])
    doubt_hz = math.sqrt(np.mean([one.frequency_doubt_hz**2 for one in lower]))
    assert math.sqrt(np.mean(off_hz**2)) == pytest.approx(doubt_hz, rel=0.15)
