"""Proof by the samples themselves that they lie as far apart as the recorder reads back: the tone that drives the unit comes out of them.

Its frequency is known beforehand, and comes out wrong by as much as the interval is: a clock of another instrument, for nothing, in every
recording of a driven unit in FM and AM. That of the source and that of the recorder are crystals, a thousand times better than what is
asked of them here.
"""

from __future__ import annotations

from contextlib import suppress

import numpy as np

from drivers.roles import Samples
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.dsp.samples import SamplesError

SAME_SHARE = 0.005  # 50 Hz of 10 kHz, a step of the spectrum that is made of them: workshop's own
NEAR_SHARE = 0.25


def is_shown_by_tone(samples: Samples, tone_hz: float, mode: str) -> bool:
    """Say whether the driving tone comes out at its frequency. Raises `Untrusted` where another does; False where none stands out."""
    from sequencer.dsp.baseband import frequency_over_time
    from sequencer.dsp.tone import tone_between

    low_hz, high_hz = (1.0 - NEAR_SHARE) * tone_hz, (1.0 + NEAR_SHARE) * tone_hz
    with suppress(SamplesError):
        if mode == "FM":
            audio = frequency_over_time(samples.content, samples.rate_hz, audio_upper_hz=2.0 * tone_hz)
        elif mode == "AM":
            audio = np.abs(samples.content)
        else:
            return False
        found = tone_between(audio, samples.rate_hz, low_hz, high_hz)
        if not found.found:
            return False
        if abs(found.frequency_hz - tone_hz) <= SAME_SHARE * tone_hz:
            return True
        raise Untrusted(
            why=f"modulation analyser: the unit is driven with {tone_hz:g} Hz and its samples show {found.frequency_hz:.4g} Hz: they do "
            "not lie as far apart as it reads back, or the audio source makes another tone; count that, and compare the profile's "
            "'recording_interval' with the instrument's manual"
        )
    return False
