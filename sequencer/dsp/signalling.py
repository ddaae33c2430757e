"""Recognise what a carrier is modulated with below or beside speech: a sub-audible tone, a digital code, two tones.

From complex samples about the channel. A tone's frequency is that of least squares over the whole record: 67.0 and 69.3 Hz are told
apart in half a second. A digital code is 23 bits again and again: its clock is fitted to the places where its levels change, its word is
what most of its repetitions say, and which code that is is looked up among the words of the Golay code that the published descriptions name
(x^11 + x^9 + x^7 + x^6 + x^5 + x + 1). Nobody says where a word begins: of the 83 published codes no two are the same word turned.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from sequencer.dsp.baseband import frequency_over_time
from sequencer.dsp.samples import SamplesError
from sequencer.dsp.tone import tone_between, without_lines
from sequencer.dsp.tones_together import fit_together
from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from sequencer.dsp.tones_together import FittedTone

BELOW_SPEECH_HZ = (
    600.0  # a code's steps are made of lines up to there; speech begins at half of it, and nobody speaks here
)
TONES_HZ = (55.0, 265.0)
DUAL_TOP_HZ = 3_000.0
ALONE = 0.8  # of the power below speech: then it is one tone, and no code
WORD_BITS = 23
CLOCK_OFF = 0.04  # as a share: how far a code's clock may be off and still be followed
LEAST_CHANGES = 20
STEADY_SHARE = 0.2  # of a bit, rms: changes further from the clock's places are no code
ALIKE = 0.9  # of a word's repetitions must say the same of each bit
LOST = 0.5  # of the usual amplitude: a carrier whose samples fall below it has broken off, or they have been lost
GENERATOR = 0b101011100011


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneHeard:
    """One tone: frequency and peak deviation, Hz, and the standard uncertainty that noise leaves in each, where it was looked for."""

    frequency_hz: float
    deviation_hz: float
    frequency_doubt_hz: float = 0.0
    deviation_doubt_hz: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeHeard:
    """A digital code: its 23 bits, beginning anywhere, how far its levels lie from their middle, Hz, and its clock, bits a second.

    ``clock`` is the standard uncertainty of the clock, as it was fitted.
    """

    word: tuple[int, ...]
    deviation_hz: float
    bit_rate: float
    clock: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Nothing:
    """A carrier without any of that: ``rms_hz`` is what swings it below speech."""

    rms_hz: float


Heard = ToneHeard | CodeHeard | Nothing


def swing_hz(baseband: ArrayLike, rate_hz: float, *, upper_hz: float) -> NDArray[np.float64]:
    """Return the frequency against time, Hz from its mean, up to ``upper_hz``.

    SamplesError as `sequencer.dsp.samples` says, and where the carrier breaks off within the record: its frequency means nothing then.
    """
    amplitudes = np.abs(np.asarray(baseband))
    usual = float(np.median(amplitudes)) if amplitudes.size else 0.0
    lost = int(np.count_nonzero(~(amplitudes >= LOST * usual)))
    if lost and usual > 0.0:
        raise SamplesError(
            f"the carrier breaks off: {lost} of {amplitudes.size} samples lie below half of the usual"
        )
    found = frequency_over_time(baseband, rate_hz, audio_upper_hz=upper_hz)
    return np.asarray(found - found.mean())


def hear_below_speech(baseband: ArrayLike, rate_hz: float) -> Heard:
    """Return what a carrier is modulated with below speech: a tone, a code, or nothing that stands out."""
    swing = swing_hz(baseband, rate_hz, upper_hz=BELOW_SPEECH_HZ)
    tone = tone_between(swing, rate_hz, *TONES_HZ)
    rms_hz = float(np.std(swing))
    if tone.found and tone.level**2 >= ALONE * rms_hz**2:
        return _heard(fit_together(swing, rate_hz, (tone.frequency_hz,))[0])
    if (code := _code(swing, rate_hz)) is not None:
        return code
    if tone.found:
        return _heard(fit_together(swing, rate_hz, (tone.frequency_hz,))[0])
    return Nothing(rms_hz=rms_hz)


def deviation_at(baseband: ArrayLike, rate_hz: float, tone_hz: float) -> float:
    """Return the peak deviation of what is found at ``tone_hz`` alone, Hz: of a carrier without the tone what noise leaves there."""
    swing = swing_hz(baseband, rate_hz, upper_hz=max(BELOW_SPEECH_HZ, 1.2 * tone_hz))
    return math.sqrt(2.0 * float(without_lines(swing, rate_hz, np.array([tone_hz]))[0][0]))


def hear_two_tones(
    baseband: ArrayLike, rate_hz: float, tones_hz: tuple[float, float], reach: float
) -> tuple[ToneHeard | None, ToneHeard | None]:
    """Return the strongest tone about each of ``tones_hz``, within ``reach`` (a share) of it; None where none stands out there.

    Both are fitted together: either alone would be read off by what the other's skirts leave at its place.
    """
    swing = swing_hz(baseband, rate_hz, upper_hz=DUAL_TOP_HZ)
    near = [
        tone_between(swing, rate_hz, (1.0 - reach) * tone_hz, (1.0 + reach) * tone_hz) for tone_hz in tones_hz
    ]
    there = [tone.frequency_hz for tone in near if tone.found]
    fitted = iter(fit_together(swing, rate_hz, there) if there else ())
    found = [_heard(next(fitted)) if tone.found else None for tone in near]
    return found[0], found[1]


def _heard(tone: FittedTone) -> ToneHeard:
    return ToneHeard(
        frequency_hz=tone.frequency_hz,
        deviation_hz=tone.peak,
        frequency_doubt_hz=tone.frequency_doubt_hz,
        deviation_doubt_hz=tone.peak_doubt,
    )


def _code(swing: NDArray[np.float64], rate_hz: float) -> CodeHeard | None:
    """Return the code in a swing of its levels; None where its changes follow no clock, or its words are not alike."""
    high, low = np.percentile(swing, (95.0, 5.0))
    levels = swing - (high + low) / 2.0
    if high - low <= 0.0 or (clock := _clock(levels, rate_hz)) is None:
        return None
    bit_s, start_s, doubt = clock
    bits = int((len(levels) / rate_hz - start_s) / bit_s)
    middles = ((start_s + (np.arange(bits) + 0.5) * bit_s) * rate_hz).astype(int)
    middles = middles[(middles >= 0) & (middles < len(levels))]
    found = levels[middles] > 0.0
    if len(found) < 2 * WORD_BITS:
        return None
    shares = np.array([found[at::WORD_BITS].mean() for at in range(WORD_BITS)])
    if np.any(np.maximum(shares, 1.0 - shares) < ALIKE):
        return None
    within = np.flatnonzero((found[1:-1] == found[:-2]) & (found[1:-1] == found[2:])) + 1
    still = levels[middles[within]]
    if not (np.any(still > 0.0) and np.any(still < 0.0)):
        still = levels[middles]
    apart_hz = float(still[still > 0.0].mean() - still[still < 0.0].mean())
    return CodeHeard(
        word=tuple(int(one > 0.5) for one in shares),
        deviation_hz=apart_hz / 2.0,
        bit_rate=1.0 / bit_s,
        clock=doubt / bit_s,
    )


def _clock(
    levels: NDArray[np.float64], rate_hz: float, *, nominal: float = 134.4
) -> tuple[float, float, float] | None:
    """Return a bit's length, the time of a bit's beginning, s, and the length's relative standard uncertainty.

    None where the changes of level follow no such clock. Changes upwards and downwards each have a place of their own, for the middle
    between the levels is not known exactly.
    """
    signs = levels > 0.0
    at = np.flatnonzero(signs[1:] != signs[:-1])
    if len(at) < LEAST_CHANGES:
        return None
    before, after = levels[at], levels[at + 1]
    times_s = (at + before / (before - after)) / rate_hz
    upwards = np.where(after > before, 0.5, -0.5)
    bit_s = 1.0 / nominal
    for _ in range(3):  # the first steps are counted by the nominal clock, the next by the one that was found
        steps = np.rint(np.diff(times_s) / bit_s)
        if np.any(steps < 1.0):
            return None
        counts = np.concatenate([[0.0], np.cumsum(steps)])
        rows = np.column_stack([np.ones_like(counts), counts, upwards])
        fitted, *_ = np.linalg.lstsq(rows, times_s, rcond=None)
        bit_s = float(fitted[1])
        if abs(bit_s * nominal - 1.0) > CLOCK_OFF:
            return None
    off_s = times_s - rows @ fitted
    rms_s = math.sqrt(float(np.mean(off_s**2)))
    if rms_s > STEADY_SHARE * bit_s:
        return None
    # the places that a word's pattern moves its changes to come again with each word: taken as one word's worth of independent changes
    spread = float(np.std(counts)) * math.sqrt(WORD_BITS / 2.0)
    return bit_s, float(fitted[0]) % bit_s, rms_s / (spread * bit_s)


@cache
def codewords() -> dict[tuple[int, ...], tuple[int, ...]]:
    """Return all 4096 words by their first twelve bits: every sum of the generator's shifts, a bit a column."""
    words = [0]
    for shift in range(12):
        words += [one ^ (GENERATOR << shift) for one in words]
    made = [tuple(int(one) for one in f"{word:023b}") for word in words]
    return {word[:12]: word for word in made}


def word_of(code: str) -> tuple[int, ...]:
    """Return the 23 bits of a code of three octal digits, as they are sent: nine code bits, lowest first, then 0 0 1, then checks."""
    number = int(code, 8)
    return codewords()[*(number >> at & 1 for at in range(9)), 0, 0, 1]


def bits_apart(word: tuple[int, ...], other: tuple[int, ...]) -> int:
    """Return in how many bits two words differ, one of them turned so that they are as alike as they can be."""
    turned = (word[at:] + word[:at] for at in range(len(word)))
    return min(sum(one != two for one, two in zip(some, other, strict=True)) for some in turned)


def inverted(word: tuple[int, ...]) -> tuple[int, ...]:
    """Return a word with its levels the other way round."""
    return tuple(1 - one for one in word)
