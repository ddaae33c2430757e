"""Find a tone in samples and take it out: frequency by least squares (IEEE Std 1057, four-parameter fit), hum below the band."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sequencer.dsp.samples import SamplesError
from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

TONE_TOLERANCE = 0.05
"""How far a tone may lie from its nominal frequency, as a share: sample clock and tone source together."""
ELSEWHERE = 0.25  # as a share: a tone that stands out this near, and none where it ought to be, is named
MOST_HUM_LINES = 3
LOWEST_HUM_HZ = 12.0  # below mains of 16 2/3 Hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A tone: frequency, rms level in the unit of the samples, and whether it stands out of the noise."""

    frequency_hz: float
    level: float
    found: bool


def tone_near(audio: NDArray[np.float64], sample_rate_hz: float, tone_hz: float) -> Tone:
    """Return the strongest tone about ``tone_hz``, within `TONE_TOLERANCE`."""
    # Never narrower than three spectrum lines: a short record does not resolve 2 %.
    reach = max(TONE_TOLERANCE * tone_hz, 3 * sample_rate_hz / len(audio))
    return tone_between(audio, sample_rate_hz, tone_hz - reach, tone_hz + reach)


def tone_between(audio: NDArray[np.float64], sample_rate_hz: float, lower_hz: float, upper_hz: float) -> Tone:
    """Return the strongest tone between two frequencies; ``found`` says whether it stands out of the noise beside it."""
    count = len(audio)
    spacing_hz = sample_rate_hz / count
    window = np.hanning(count)
    powers = np.abs(np.fft.rfft((audio - audio.mean()) * window)) ** 2
    first = max(2, math.ceil(lower_hz / spacing_hz))
    last = min(len(powers) - 2, math.floor(upper_hz / spacing_hz))
    if last < first:
        raise SamplesError(f"{count / sample_rate_hz:.3g} s of samples are too short for {lower_hz:.4g} Hz")
    peak = first + int(np.argmax(powers[first : last + 1]))
    nearby = np.r_[powers[max(1, peak - 34) : max(1, peak - 3)], powers[peak + 4 : peak + 35]]
    # Among noise alone the largest of n lines exceeds the mean by about ln n; the median is ln 2 of the mean.
    background = float(np.median(nearby)) / math.log(2)
    found = bool(powers[peak] > max(15.0, 2.5 * math.log(last - first + 2)) * background)
    frequency_hz = peak * spacing_hz
    if found:
        frequency_hz = _refined(audio, sample_rate_hz, _interpolated_peak(powers, peak) * spacing_hz)
    level = math.sqrt(without_lines(audio, sample_rate_hz, np.array([frequency_hz]))[0][0])
    return Tone(frequency_hz=frequency_hz, level=level, found=found)


def _interpolated_peak(powers: NDArray[np.float64], peak: int) -> float:
    left, top, right = np.log(powers[peak - 1 : peak + 2] + powers[peak] * 1e-30)
    curvature = left - 2 * top + right
    return (
        peak + float(np.clip(0.5 * (left - right) / curvature, -0.5, 0.5)) if curvature < 0 else float(peak)
    )


def _refined(audio: NDArray[np.float64], sample_rate_hz: float, frequency_hz: float) -> float:
    """Return the frequency of least squares, from a start within half a spectrum line (IEEE Std 1057)."""
    times = (np.arange(len(audio)) - (len(audio) - 1) / 2) / sample_rate_hz
    seconds = len(audio) / sample_rate_hz
    farthest = 0.5 / seconds
    start = frequency_hz
    for _ in range(20):
        phase = 2 * np.pi * frequency_hz * times
        rows = np.stack([np.cos(phase), np.sin(phase), np.ones_like(times), times])
        a, b, _ = np.linalg.solve(rows[:3] @ rows[:3].T, rows[:3] @ audio)
        # Per radian over half the record, beside which the four rows are nearly orthogonal: the normal equations lose no digits.
        rows[3] *= (b * rows[0] - a * rows[1]) * (2 / seconds)
        step = float(np.linalg.solve(rows @ rows.T, rows @ audio)[3]) / (math.pi * seconds)
        frequency_hz = min(start + farthest, max(start - farthest, frequency_hz + step))
        if abs(step) < 1e-13 * frequency_hz:
            break
    return frequency_hz


def without_hum(
    audio: NDArray[np.float64], sample_rate_hz: float, lines_hz: NDArray[np.float64], *, below_hz: float
) -> tuple[NDArray[np.float64], list[Tone]]:
    """Return the record without the lines that stand out below ``below_hz``, strongest first, and those lines.

    A record that holds no whole number of their cycles would spread them over the band. The tone and its harmonics (``lines_hz``) are
    kept, but do not count while hum is looked for: they would spread over it as well.
    """
    found: list[Tone] = []
    spacing_hz = sample_rate_hz / len(audio)
    least_hz = max(LOWEST_HUM_HZ, 3 * spacing_hz)
    _, _, beside = without_lines(audio, sample_rate_hz, lines_hz)
    rest = beside
    while len(found) < MOST_HUM_LINES and below_hz - spacing_hz > least_hz:
        hum = tone_between(rest, sample_rate_hz, least_hz, below_hz - spacing_hz)
        if not hum.found:
            break
        _, _, rest = without_lines(rest, sample_rate_hz, np.array([hum.frequency_hz]))
        found.append(hum)
    return audio - (beside - rest), found


def refuse_a_tone_elsewhere(audio: NDArray[np.float64], sample_rate_hz: float, tone_hz: float) -> None:
    """Raise SamplesError where a tone stands out beside where it ought to be: the record would be read as noise alone."""
    highest_hz = min((1 + ELSEWHERE) * tone_hz, 0.49 * sample_rate_hz)
    beside = tone_between(audio, sample_rate_hz, (1 - ELSEWHERE) * tone_hz, highest_hz)
    if beside.found:
        raise SamplesError(
            f"a tone stands out at {beside.frequency_hz:.1f} Hz and none within {100 * TONE_TOLERANCE:g} % of {tone_hz:g} Hz. "
            "Check the generator's modulation frequency and the sample rate."
        )


def without_lines(
    audio: NDArray[np.float64], sample_rate_hz: float, lines_hz: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float, NDArray[np.float64]]:
    """Return the power of each line, the DC, and what remains without them, by least squares."""
    times = np.arange(len(audio), dtype=np.float64) * (2 * math.pi / sample_rate_hz)
    rows = _rows(times, lines_hz)
    # Nearly orthogonal on whole cycles, so the normal equations lose no digits and take less time.
    weights = np.linalg.solve(rows @ rows.T, rows @ audio)
    cosines, sines = weights[: len(lines_hz)], weights[len(lines_hz) : -1]
    return (cosines**2 + sines**2) / 2, float(weights[-1]), audio - weights @ rows


def _rows(times: NDArray[np.float64], lines_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the cosine of each line, the sine of each, and ones; ``times`` in radians for each hertz.

    Of harmonics only the first is worked out, the others are its powers: sines take most of the time of a reading [measured].
    """
    count = len(lines_hz)
    turns = np.empty((count, len(times)), dtype=np.complex128)
    turns[0] = np.exp(1j * (lines_hz[0] * times))
    for at in range(1, count):
        if lines_hz[at] == (at + 1) * lines_hz[0]:
            half = (at + 1) // 2  # of two powers that are made: rounding grows with the logarithm only
            np.multiply(turns[half - 1], turns[at - half], out=turns[at])
        else:
            turns[at] = np.exp(1j * (lines_hz[at] * times))
    return np.concatenate([turns.real, turns.imag, np.ones((1, len(times)))])
