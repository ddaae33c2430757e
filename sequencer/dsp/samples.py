"""Check samples before anything is measured on them: what cannot be measured is refused by name."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

FEWEST_CYCLES = 10
"""Whole tone cycles a reading needs; with fewer the tone and the noise beside it cannot be told apart."""

_LARGEST = 1e100


class SamplesError(ValueError):
    """Samples on which nothing can be measured; the text says what is wrong and what would do."""


def real_samples(
    samples: ArrayLike, sample_rate_hz: float, upper_hz: float, *, full_scale: float | None = None
) -> NDArray[np.float64]:
    """Return audio samples as floats, checked.

    SamplesError for a rate that does not reach ``upper_hz``, NaN, clipping at ``full_scale`` (of integer
    samples: at the end of their type), silence, or a DC that leaves the audio no digits.
    """
    import numpy as np

    array = np.asarray(samples)
    if np.iscomplexobj(array):
        raise SamplesError(
            "complex samples where audio is due; see sequencer.dsp.baseband for baseband samples"
        )
    audio = _checked(array, sample_rate_hz)
    _check_rate(sample_rate_hz, upper_hz)
    _check_clipping(array, full_scale)
    ac = float(np.std(audio))
    dc = abs(float(np.mean(audio)))
    if ac <= 1e-12 * dc or ac < 1 / _LARGEST:
        raise SamplesError(f"silence: {len(audio)} samples that never change. Is the audio connected?")
    if dc > 1e4 * ac:
        raise SamplesError(
            f"DC of {dc:.3g} drowns an audio of {ac:.3g} rms. Couple the audio without its DC."
        )
    return audio


def baseband_samples(samples: ArrayLike, sample_rate_hz: float, upper_hz: float) -> NDArray[np.complex128]:
    """Return complex baseband samples, checked; SamplesError also where there is no carrier."""
    import numpy as np

    array = np.asarray(samples)
    if not np.iscomplexobj(array):
        raise SamplesError("real samples where complex baseband is due; see sequencer.dsp.audio for audio")
    _checked(array, sample_rate_hz)
    _check_rate(sample_rate_hz, upper_hz)
    baseband = array.astype(np.complex128)
    if np.abs(baseband).max() < 1 / _LARGEST:
        raise SamplesError("no carrier: every sample is zero. Is the transmitter on and the path connected?")
    return baseband


def whole_cycles(audio: NDArray[Any], sample_rate_hz: float, tone_hz: float) -> NDArray[Any]:
    """Cut samples to the most whole cycles of a tone; SamplesError if there are fewer than ten."""
    # A record made to whole cycles may miss its last by rounding in the machine.
    cycles = math.floor(len(audio) * tone_hz / sample_rate_hz + 1e-6)
    if cycles < FEWEST_CYCLES:
        needed_s = FEWEST_CYCLES / tone_hz
        raise SamplesError(
            f"{len(audio) / sample_rate_hz:.3g} s of samples hold {cycles} cycles of a {tone_hz:g} Hz tone; "
            f"{FEWEST_CYCLES} or more are due. Record {needed_s:.3g} s or longer."
        )
    return audio[: round(cycles * sample_rate_hz / tone_hz)]


def _checked(array: NDArray[Any], sample_rate_hz: float) -> NDArray[np.float64]:
    import numpy as np

    if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise SamplesError(f"sample rate is {sample_rate_hz} Hz; it must be above 0")
    if array.ndim != 1 or array.dtype.kind not in "iufc":
        raise SamplesError(
            f"samples of shape {array.shape} and type {array.dtype}; one row of numbers is due"
        )
    if len(array) < 16:
        raise SamplesError(f"{len(array)} samples are too few to measure anything")
    wrong = int((~np.isfinite(array)).sum())
    if wrong:
        raise SamplesError(f"{wrong} of {len(array)} samples are not finite numbers")
    if float(np.abs(array).max()) > _LARGEST:
        raise SamplesError(f"samples beyond {_LARGEST:g} are beyond arithmetic. Check the scaling.")
    return np.asarray(array.real, dtype=np.float64)


def _check_rate(sample_rate_hz: float, upper_hz: float) -> None:
    if sample_rate_hz / 2 < upper_hz:
        raise SamplesError(
            f"samples at {sample_rate_hz:g} Hz reach {sample_rate_hz / 2:g} Hz, "
            f"but the band reaches {upper_hz:g} Hz. Sample at {2 * upper_hz:g} Hz or faster, "
            "or choose a narrower band."
        )


def _check_clipping(array: NDArray[Any], full_scale: float | None) -> None:
    import numpy as np

    if full_scale is None:
        if array.dtype.kind not in "iu":
            return
        limits = np.iinfo(array.dtype)
        # Many converters stop one step short of the negative end, so that both ends are alike.
        clipped = (array >= limits.max) | (array <= limits.min + 1)
    else:
        if not full_scale > 0:
            raise SamplesError(f"full scale is {full_scale}; it must be above 0")
        clipped = np.abs(array) >= full_scale
    count = int(clipped.sum())
    if count:
        raise SamplesError(
            f"{count} of {len(array)} samples are clipped at full scale. Lower the audio level."
        )
