"""Read audio from samples: SINAD, distortion, signal to noise, level and frequency of a tone.

The tone is taken out by least squares on whole cycles (IEEE Std 1057, four-parameter fit) rather than by a
windowed spectrum, which reads SINAD with 1.2 to 1.4 times the scatter. Where a record is read in blocks,
powers are averaged, never decibels: a click then counts once, as the power it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from sequencer.dsp.samples import SamplesError, real_samples, whole_cycles
from sequencer.dsp.weighting import SPEECH_BAND, Weighting
from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

MOST_HARMONICS = 10
TONE_TOLERANCE = 0.02
"""How far a tone may lie from its nominal frequency, as a share: sample clock and tone source together."""
_LEAST = 2.0**-104  # the power of rounding in the machine, so that a perfect tone has a finite SINAD


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A tone: frequency, rms level in the unit of the samples, and whether it stands out of the noise."""

    frequency_hz: float
    level: float
    found: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioReading:
    """What a tone and all that is not the tone come to, as mean squares behind the weighting.

    ``harmonic_power``: the 2nd to 10th harmonic, as far as band and samples reach. ``noise_power``: the rest.
    Levels are in the unit of the samples, rms. ``dc`` is not part of any of them.
    """

    tone: Tone
    tone_power: float
    harmonic_power: float
    noise_power: float
    dc: float
    seconds: float
    weighting: str

    @property
    def level(self) -> float:
        """Level of everything, rms."""
        return math.sqrt(self._total)

    @property
    def sinad_db(self) -> float:
        """SINAD, dB: (signal + noise + distortion) over (noise + distortion), 0 or more."""
        return 10 * math.log10(
            self._total / max(self.harmonic_power + self.noise_power, self._total * _LEAST)
        )

    @property
    def residual_percent(self) -> float:
        """Noise and distortion in % of everything: 25.12 at 12 dB SINAD, 10 at 20 dB."""
        return 100 * 10 ** (-self.sinad_db / 20)

    @property
    def signal_plus_noise_to_noise_db(self) -> float:
        """(S+N)/N of this one record, dB; the harmonics count as neither."""
        return 10 * math.log10(1 + self.tone_power / self._noise)

    @property
    def signal_to_noise_db(self) -> float:
        """S/N, dB; minus infinity where there is no tone at all."""
        return 10 * math.log10(self.tone_power / self._noise) if self.tone_power > 0 else -math.inf

    @property
    def thd_percent(self) -> float | None:
        """Total harmonic distortion in % of the tone; None where no tone stands out."""
        if not self.tone.found or self.tone_power == 0:
            return None
        return 100 * math.sqrt(self.harmonic_power / self.tone_power)

    @property
    def _total(self) -> float:
        return self.tone_power + self.harmonic_power + self.noise_power

    @property
    def _noise(self) -> float:
        return max(self.noise_power, self._total * _LEAST)


def read_audio(
    samples: ArrayLike,
    sample_rate_hz: float,
    tone_hz: float,
    *,
    weighting: Weighting = SPEECH_BAND,
    block_s: float = 1.0,
    full_scale: float | None = None,
) -> AudioReading:
    """Read an audio record that holds, or ought to hold, a tone near ``tone_hz``.

    Tone and residual both pass the weighting, as behind a filter ahead of the meter: psophometric lifts a
    1 kHz tone by 1 dB. ``block_s``: read in blocks of about this length and average their powers. A record without
    the tone is read at the nominal frequency and comes to about 0 dB. SamplesError: see `sequencer.dsp.samples`.
    """
    audio = _checked(samples, sample_rate_hz, tone_hz, weighting, full_scale)
    tone = _tone_near(audio, sample_rate_hz, tone_hz)
    frequency_hz = tone.frequency_hz if tone.found else tone_hz
    blocks = _blocks(audio, sample_rate_hz, block_s)
    cut = [whole_cycles(block, sample_rate_hz, frequency_hz) for block in blocks]
    readings = [_read_block(block, sample_rate_hz, frequency_hz, tone.found, weighting) for block in cut]
    return combine(readings)


def combine(readings: Sequence[AudioReading]) -> AudioReading:
    """Average readings of one thing in power, each weighted by its length.

    ValueError for none, or for different weightings. The tone is that of the longest.
    """
    if not readings:
        raise ValueError("no readings to combine")
    if len({reading.weighting for reading in readings}) > 1:
        raise ValueError(f"readings behind different weightings: {sorted({r.weighting for r in readings})}")
    seconds = sum(reading.seconds for reading in readings)

    def mean(powers: Sequence[float]) -> float:
        return sum(p * r.seconds for p, r in zip(powers, readings, strict=True)) / seconds

    longest = max(readings, key=lambda reading: reading.seconds)
    level = math.sqrt(mean([r.tone.level**2 for r in readings]))
    return AudioReading(
        tone=Tone(frequency_hz=longest.tone.frequency_hz, level=level, found=longest.tone.found),
        tone_power=mean([r.tone_power for r in readings]),
        harmonic_power=mean([r.harmonic_power for r in readings]),
        noise_power=mean([r.noise_power for r in readings]),
        dc=mean([r.dc for r in readings]),
        seconds=seconds,
        weighting=longest.weighting,
    )


def find_tone(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    lower_hz: float = 20.0,
    upper_hz: float | None = None,
    full_scale: float | None = None,
) -> Tone:
    """Find the strongest tone between ``lower_hz`` and ``upper_hz`` (half the sample rate unless given).

    SamplesError where no tone stands out of the noise.
    """
    highest = sample_rate_hz / 2 if upper_hz is None else upper_hz
    audio = real_samples(samples, sample_rate_hz, highest, full_scale=full_scale)
    if not 0 < lower_hz < highest:
        raise SamplesError(f"no band between {lower_hz:g} and {highest:g} Hz to look for a tone in")
    tone = _tone_between(audio, sample_rate_hz, lower_hz, highest)
    if not tone.found:
        raise SamplesError(f"no tone stands out of the noise between {lower_hz:g} and {highest:g} Hz")
    whole_cycles(audio, sample_rate_hz, tone.frequency_hz)
    return tone


def read_level(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    weighting: Weighting = SPEECH_BAND,
    full_scale: float | None = None,
) -> float:
    """Return the rms level of a record behind a weighting, in the unit of the samples, without its DC."""
    audio = real_samples(samples, sample_rate_hz, weighting.upper_hz, full_scale=full_scale)
    return math.sqrt(_weighted_powers(audio - audio.mean(), sample_rate_hz, weighting).sum())


def signal_plus_noise_to_noise_db(
    with_signal: ArrayLike,
    without_signal: ArrayLike,
    sample_rate_hz: float,
    *,
    weighting: Weighting = SPEECH_BAND,
) -> float:
    """Return (S+N)/N, dB, from a record with modulation and one without (AM: the carrier stays on)."""
    levels = [
        read_level(record, sample_rate_hz, weighting=weighting) for record in (with_signal, without_signal)
    ]
    if levels[1] == 0:
        raise SamplesError("the record without signal holds nothing in the band. Is the audio connected?")
    return 20 * math.log10(levels[0] / levels[1])


def signal_to_noise_db(signal_plus_noise_to_noise: float) -> float | None:
    """Return S/N, dB, for a (S+N)/N in dB: 12 gives 11.717. None at 0 dB or less: there is no signal."""
    ratio = math.expm1(signal_plus_noise_to_noise * math.log(10) / 10)
    return 10 * math.log10(ratio) if ratio > 0 else None


def _checked(
    samples: ArrayLike, sample_rate_hz: float, tone_hz: float, weighting: Weighting, full_scale: float | None
) -> NDArray[np.float64]:
    audio = real_samples(samples, sample_rate_hz, weighting.upper_hz, full_scale=full_scale)
    if not 0 < tone_hz * (1 + TONE_TOLERANCE) < sample_rate_hz / 2:
        raise SamplesError(f"tone of {tone_hz} Hz in samples that reach {sample_rate_hz / 2:g} Hz")
    if weighting.power_gain(np.array([tone_hz]))[0] == 0:
        raise SamplesError(f"tone of {tone_hz:g} Hz lies outside the weighting ({weighting.name})")
    whole_cycles(audio, sample_rate_hz, tone_hz)
    return audio


def _blocks(audio: NDArray[np.float64], sample_rate_hz: float, block_s: float) -> list[NDArray[np.float64]]:
    if not block_s > 0:
        raise SamplesError(f"blocks of {block_s} s; their length must be above 0")
    return np.array_split(audio, max(1, round(len(audio) / sample_rate_hz / block_s)))


def _read_block(
    audio: NDArray[np.float64],
    sample_rate_hz: float,
    frequency_hz: float,
    found: bool,
    weighting: Weighting,
) -> AudioReading:
    count = min(MOST_HARMONICS, math.ceil(sample_rate_hz / 2 / frequency_hz) - 1)
    lines_hz = frequency_hz * np.arange(1, count + 1, dtype=np.float64)
    powers, dc, rest = _without_lines(audio, sample_rate_hz, lines_hz)
    weighted = powers * weighting.power_gain(lines_hz)
    noise = _weighted_powers(rest, sample_rate_hz, weighting)
    # The fit took the noise under the tone along: one line's worth, judged by the lines beside it.
    at = round(frequency_hz * len(audio) / sample_rate_hz)
    beside = [i for i in range(at - 4, at + 5) if i != at and 0 < i < len(noise)]
    hidden = min(float(np.mean(noise[beside])), float(weighted[0]))
    return AudioReading(
        tone=Tone(frequency_hz=frequency_hz, level=math.sqrt(powers[0]), found=found),
        tone_power=float(weighted[0]) - hidden,
        harmonic_power=float(weighted[1:].sum()),
        noise_power=float(noise.sum()) + hidden,
        dc=dc,
        seconds=len(audio) / sample_rate_hz,
        weighting=weighting.name,
    )


def _without_lines(
    audio: NDArray[np.float64], sample_rate_hz: float, lines_hz: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float, NDArray[np.float64]]:
    """Return the power of each line, the DC, and what remains without them, by least squares."""
    phase = 2 * np.pi * np.outer(np.arange(len(audio)) / sample_rate_hz, lines_hz)
    columns = np.hstack([np.cos(phase), np.sin(phase), np.ones((len(audio), 1))])
    # Nearly orthogonal on whole cycles, so the normal equations lose no digits and take less time.
    weights = np.linalg.solve(columns.T @ columns, columns.T @ audio)
    cosines, sines = weights[: len(lines_hz)], weights[len(lines_hz) : -1]
    return (cosines**2 + sines**2) / 2, float(weights[-1]), audio - columns @ weights


def _weighted_powers(
    audio: NDArray[np.float64], sample_rate_hz: float, weighting: Weighting
) -> NDArray[np.float64]:
    """Return the mean square of each spectrum line behind the weighting; they add up to the whole."""
    count = len(audio)
    powers = 2 * np.abs(np.fft.rfft(audio)) ** 2 / count**2
    gains = weighting.bin_gains(len(powers), sample_rate_hz / count)
    powers[0] = 0.0
    if count % 2 == 0:  # the line at half the sample rate has no twin, and only its lower half exists
        powers[-1] /= 2
        gains[-1] = weighting.power_gain(np.array([sample_rate_hz / 2]))[0]
    return np.asarray(powers * gains)


def _tone_near(audio: NDArray[np.float64], sample_rate_hz: float, tone_hz: float) -> Tone:
    # Never narrower than three spectrum lines: a short record does not resolve 2 %.
    reach = max(TONE_TOLERANCE * tone_hz, 3 * sample_rate_hz / len(audio))
    return _tone_between(audio, sample_rate_hz, tone_hz - reach, tone_hz + reach)


def _tone_between(
    audio: NDArray[np.float64], sample_rate_hz: float, lower_hz: float, upper_hz: float
) -> Tone:
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
    level = math.sqrt(_without_lines(audio, sample_rate_hz, np.array([frequency_hz]))[0][0])
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
    farthest = 0.5 * sample_rate_hz / len(audio)
    start = frequency_hz
    for _ in range(20):
        phase = 2 * np.pi * frequency_hz * times
        cosine, sine = np.cos(phase), np.sin(phase)
        columns = np.stack([cosine, sine, np.ones_like(times)], axis=1)
        a, b, _ = np.linalg.solve(columns.T @ columns, columns.T @ audio)
        slope = 2 * np.pi * times * (b * cosine - a * sine)
        full = np.column_stack([columns, slope])
        step = float(np.linalg.lstsq(full, audio, rcond=None)[0][3])
        frequency_hz = min(start + farthest, max(start - farthest, frequency_hz + step))
        if abs(step) < 1e-13 * frequency_hz:
            break
    return frequency_hz
