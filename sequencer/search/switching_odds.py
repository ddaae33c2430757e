"""Say how likely a switching level is before the first test, and how likely the answers are if they follow no level at all."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from sequencer.search.curve_belief import Expected


def level_weight(level_db: Any, expected: Expected | None, width_db: float) -> Any:
    """Return how many times as likely as anywhere within a window of ``width_db`` a level is before the first test."""
    import numpy as np

    if expected is None:
        return np.ones_like(level_db)
    off = (level_db - expected.level_db) / expected.sd_db
    near = width_db * np.exp(-(off**2) / 2) / (math.sqrt(2 * math.pi) * expected.sd_db)
    return (1 - expected.anywhere) * near + expected.anywhere


def log_of_coin(answers: Iterable[bool | None]) -> float:
    """Return the logarithm of how likely the answers are if they follow nothing: a coin, of any bias (Laplace's rule)."""
    told = [on for on in answers if on is not None]
    on, off = sum(told), len(told) - sum(told)
    return math.lgamma(on + 1) + math.lgamma(off + 1) - math.lgamma(on + off + 2)
