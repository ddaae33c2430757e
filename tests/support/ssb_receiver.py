"""A made-up SSB receiver for searches: nothing of it is taken from what the searches believe."""

import math

import numpy as np

from sequencer.search.protocol import Ask


class Receiver:
    """An SSB-like receiver: signal over noise rises dB for dB up to a ceiling; the noise power of 0.1 s scatters by 7 %."""

    def __init__(
        self, crossing_db: float, seed: int, *, ceiling_db: float = 35.0, lapses: float = 0.0
    ) -> None:
        self.rng, self.ceiling, self.lapses = np.random.default_rng(seed), 10 ** (-ceiling_db / 10), lapses
        # at the crossing the ratio of signal to all noise is what makes 12 dB of (S+N)/N
        self.zero_db = crossing_db - 10 * math.log10(1 / (1 / (10**1.2 - 1) - self.ceiling))
        self.lapsed = 0

    def measure(self, ask: Ask) -> float:
        """Return one reading; in a lapse, noise alone."""
        noise = 10 ** (-(ask.level_db - self.zero_db) / 10)
        noise *= max(0.05, 1 + 0.07 * math.sqrt(0.1 / ask.reading_s) * float(self.rng.standard_normal()))
        if self.rng.random() < self.lapses:
            self.lapsed += 1
            return 0.3
        return 10 * math.log10(1 + 1 / (noise + self.ceiling))
