"""From what the audio holds to volts across the loudspeaker: volume, clipping, and samples of the wave.

Sources: samples are the closed form's own parts put together (a sine with its harmonics, Gaussian noise shaped in the
frequency domain, clicks as the impulses of Rice 1963: each a turn of phase, hence an area of 1 Hz·s). How the
amplifier clips is a smooth stand-in, no source; how distortion divides over second and third harmonic is a choice.

Not modelled: the crest of a clipped wave in the samples (clipping is there as harmonics), a change of level within a
recording.
"""

from __future__ import annotations

from dataclasses import replace
from math import log10, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.radio.audio_content import AUDIO_STEP_HZ, AudioContent, Floats
from sim.radio.demodulators import Demodulator
from sim.radio.unit import Receiver

_SECOND_SHARE = 0.8
_HUM_HZ = 300.0
_NOTCH_WIDTH = 0.05

Samples = NDArray[np.floating[Any]]


def linear_v(receiver: Receiver, volume: float, content: AudioContent, normal_peak: float) -> float:
    """Return the voltage (rms) that an amplifier without a limit would give."""
    return receiver.audio_v * volume / 0.5 * sqrt(2.0 * content.total) / normal_peak


def clipped_v(receiver: Receiver, volts: float) -> float:
    """Return what the amplifier gives where a limitless one would give ``volts``."""
    return float(volts / (1.0 + (volts / receiver.clipping_v) ** 4) ** 0.25)


def clipping_share(receiver: Receiver, volts: float) -> float:
    """Return the distortion of the loudspeaker amplifier as a share of the voltage; a smooth stand-in."""
    x = (volts / receiver.clipping_v) ** 4
    return 0.3 * x / (1.0 + x)


def with_clipping(content: AudioContent, clipping: float, notch_hz: float) -> AudioContent:
    """Add the amplifier's distortion; an analyser counts a tone outside its notch as distortion."""
    signal, distortion = content.signal, content.distortion + clipping**2 * content.signal
    if abs(content.tone_hz / notch_hz - 1.0) >= _NOTCH_WIDTH:
        signal, distortion = 0.0, distortion + signal
    return replace(content, signal=signal, distortion=distortion)


def distortion_percent(sinad_db: float) -> float:
    """Return distortion and noise relative to the total, percent, of a SINAD."""
    return float(100.0 * 10.0 ** (-sinad_db / 20.0))


def decibels(ratio: float) -> float:
    """Return a power ratio in dB."""
    return 10.0 * log10(max(ratio, 1e-20))


def samples_v(
    content: AudioContent,
    demodulator: Demodulator,
    *,
    total_v: float,
    offset_hz: float,
    count: int,
    rate_hz: float,
    rng: np.random.Generator,
) -> Samples:
    """Return ``count`` samples of the loudspeaker's voltage whose expected rms is ``total_v``.

    ``content`` is flat, its tone in the notch; ``demodulator`` gives the spectra of noise and clicks.
    """
    time_s = np.arange(count) / rate_hz
    phase = 2.0 * pi * content.tone_hz * time_s + rng.uniform(0.0, 2.0 * pi)
    wave = sqrt(2.0 * content.signal) * np.sin(phase)
    if content.signal > 0:
        wave += sqrt(2.0 * content.distortion * _SECOND_SHARE) * np.sin(2.0 * phase)
        wave += sqrt(2.0 * content.distortion * (1.0 - _SECOND_SHARE)) * np.sin(3.0 * phase)
    else:
        wave += sqrt(2.0 * content.distortion) * np.sin(2.0 * pi * _HUM_HZ * time_s)
    shape = demodulator.noise_density(offset_hz)
    density = content.gaussian * shape / (float(shape.sum()) * AUDIO_STEP_HZ)
    wave += shaped(rng.standard_normal(count) * sqrt(rate_hz / 2.0), density, rate_hz)
    expected = content.click_rate_hz * count / rate_hz
    if expected > 1e-9:
        impulses = _impulses(rng.poisson(expected), count, rate_hz, rng)
        alone = 2.0 * content.click_rate_hz * float(demodulator.click_density().sum()) * AUDIO_STEP_HZ
        crowded = sqrt(content.clicks / alone)  # clicks that crowd hold less than clicks that stand alone
        wave += crowded * shaped(impulses, demodulator.click_density(), rate_hz)
    return np.asarray(wave * total_v / sqrt(content.total))


def _impulses(number: int, count: int, rate_hz: float, rng: np.random.Generator) -> Samples:
    impulses = np.zeros(count)
    places = rng.integers(0, count, size=number)
    np.add.at(impulses, places, rng.choice((-1.0, 1.0), size=number) * rate_hz)
    return impulses


def shaped(wave: Samples, power_gain: Floats, rate_hz: float) -> Samples:
    """Return a wave through a filter whose power gain stands on the audio grid (10 Hz, 30 Hz, ...)."""
    grid_hz = 10.0 + AUDIO_STEP_HZ * np.arange(len(power_gain))
    lines_hz = np.fft.rfftfreq(len(wave), 1.0 / rate_hz)
    gain = np.sqrt(np.interp(lines_hz, grid_hz, power_gain, left=0.0, right=0.0))
    return np.asarray(np.fft.irfft(np.fft.rfft(wave) * gain, len(wave)))
