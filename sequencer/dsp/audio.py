"""Read audio from samples: SINAD, distortion, signal to noise, level and frequency of a tone.

The tone is taken out by least squares on whole cycles (IEEE Std 1057, four-parameter fit) rather than by a
windowed spectrum, which reads SINAD with 1.2 to 1.4 times the scatter. Where a record is read in blocks,
powers are averaged, never decibels: a click then counts once, as the power it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sequencer.dsp.samples import SamplesError, real_samples, whole_cycles
from sequencer.dsp.tone import (
    TONE_TOLERANCE,
    Tone,
    refuse_a_tone_elsewhere,
    tone_between,
    tone_near,
    without_hum,
    without_lines,
)
from sequencer.dsp.weighting import SPEECH_BAND, Weighting
from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

MOST_HARMONICS = 10
HUM_BELOW_HZ = 300.0
_LEAST = 2.0**-104  # the power of rounding in the machine, so that a perfect tone has a finite SINAD


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
    noise_relative_u: float = 0.0
    """Relative standard uncertainty of ``noise_power``: by the spread of its lines, and of the blocks where there are several."""

    @property
    def sinad_u_db(self) -> float:
        """Standard uncertainty of SINAD by the scatter of the noise, dB; no accuracy of whoever took the samples is in it."""
        rest = self.harmonic_power + self.noise_power
        if rest <= 0 or self._total <= 0:
            return 0.0
        # d(10 lg(total/rest))/d(noise): a tone that is left in the noise moves SINAD by its share only
        return (
            10
            / math.log(10)
            * self.tone_power
            / self._total
            * self.noise_power
            / rest
            * self.noise_relative_u
        )

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
    the tone is read at the nominal frequency and comes to about 0 dB. Hum below 300 Hz is fitted, and counts as noise as
    far as the weighting lets it pass: a record that holds no whole number of its cycles would spread it over the band.
    SamplesError: a tone that stands out within a quarter of ``tone_hz`` but not within 5 %; further see
    `sequencer.dsp.samples`.
    """
    audio = _checked(samples, sample_rate_hz, tone_hz, weighting, full_scale)
    tone = tone_near(audio, sample_rate_hz, tone_hz)
    if not tone.found:
        refuse_a_tone_elsewhere(audio, sample_rate_hz, tone_hz)
    frequency_hz = tone.frequency_hz if tone.found else tone_hz
    lines_hz = _lines_hz(frequency_hz, sample_rate_hz)
    audio, hum = without_hum(audio, sample_rate_hz, lines_hz, below_hz=min(HUM_BELOW_HZ, 0.7 * tone_hz))
    blocks = _blocks(audio, sample_rate_hz, block_s)
    cut = [whole_cycles(block, sample_rate_hz, frequency_hz) for block in blocks]
    readings = [_read_block(block, sample_rate_hz, frequency_hz, tone.found, weighting) for block in cut]
    reading = combine(readings)
    heard = sum(one.level**2 * float(weighting.power_gain(np.array([one.frequency_hz]))[0]) for one in hum)
    return replace(reading, noise_power=reading.noise_power + heard)


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
    noise_power = mean([r.noise_power for r in readings])
    level = math.sqrt(mean([r.tone.level**2 for r in readings]))
    return AudioReading(
        tone=Tone(frequency_hz=longest.tone.frequency_hz, level=level, found=longest.tone.found),
        tone_power=mean([r.tone_power for r in readings]),
        harmonic_power=mean([r.harmonic_power for r in readings]),
        noise_power=noise_power,
        dc=mean([r.dc for r in readings]),
        seconds=seconds,
        weighting=longest.weighting,
        noise_relative_u=_relative_u(readings, noise_power, seconds),
    )


def _relative_u(readings: Sequence[AudioReading], noise_power: float, seconds: float) -> float:
    """Return the relative standard uncertainty of the mean noise power: the larger of what each says and what their spread says.

    Sparse clicks differ from record to record by more than noise of their bandwidth would.
    """
    if noise_power <= 0:
        return 0.0
    shares = [r.seconds / seconds for r in readings]
    own = math.hypot(*(w * r.noise_relative_u * r.noise_power for w, r in zip(shares, readings, strict=True)))
    if len(readings) < 2:
        return own / noise_power
    apart = [w * (r.noise_power - noise_power) for w, r in zip(shares, readings, strict=True)]
    spread = math.sqrt(math.fsum(one**2 for one in apart) * len(readings) / (len(readings) - 1))
    return max(own, spread) / noise_power


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
    tone = tone_between(audio, sample_rate_hz, lower_hz, highest)
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
    lines_hz = _lines_hz(frequency_hz, sample_rate_hz)
    powers, dc, rest = without_lines(audio, sample_rate_hz, lines_hz)
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
        noise_relative_u=_scatter(noise),
    )


def _lines_hz(frequency_hz: float, sample_rate_hz: float) -> NDArray[np.float64]:
    """Return the frequencies of a tone and its harmonics, as far as the samples reach."""
    count = min(MOST_HARMONICS, math.ceil(sample_rate_hz / 2 / frequency_hz) - 1)
    return frequency_hz * np.arange(1, count + 1, dtype=np.float64)


def _scatter(lines: NDArray[np.float64]) -> float:
    """Return the relative standard deviation of the sum of spectrum lines of noise, each of which scatters as much as it is large."""
    total = float(lines.sum())
    return math.sqrt(float((lines**2).sum()) / 2) / total if total > 0 else 0.0


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
