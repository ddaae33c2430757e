"""Believe in time constants beside those told, and wait by what the readings make of them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.search.curve_state import State

Lags = tuple[tuple[float, float, float], ...]
LAGS: Lags = ((1.0, 1.0, 0.6), (0.75, 0.75, 0.12), (1.4, 1.4, 0.14), (1.0, 2.0, 0.06), (2.2, 2.2, 0.08))
"""How many times the time constants told may be the true ones, rising and falling, with weights."""
ONE_SIDED: Lags = (
    *((1.0, slower, 0.03) for slower in (3.0, 4.5, 6.0)),
    *((slower, 1.0, 0.01) for slower in (2.0, 3.0, 4.5, 6.0)),
)
"""One of them told far too short and the other not: readings from its side are late, and would pass for play. The marks of a curve after
the first are not weighed so: what is known of the line and its play tells there."""
LEAST_SHARE = 0.05  # of the weights: what is less likely is weighed, but not waited for
LEAST_PACE_DOUBT = 0.15


def believed_lags(state: State) -> Lags:
    """Return the time constants to believe in: rising, falling, as multiples of those told, and a weight each."""
    if not state.is_slow or state.settling.doubt <= 0:
        return ((1.0, 1.0, 1.0),)
    if state.known or state.known_play_db is not None:
        return LAGS
    (_, _, as_told), *others = LAGS
    left = as_told - math.fsum(share for _, _, share in ONE_SIDED)
    return ((1.0, 1.0, left), *others, *ONE_SIDED)


def learn_pace(state: State, lags: Lags, of_sets: Sequence[float]) -> None:
    """Wait from now on by the time constants that the readings make likely, and as little as is left in doubt of them."""
    least = LEAST_SHARE * math.fsum(of_sets[: len(lags)])
    shares = [share if share > least else 0.0 for share in of_sets[: len(lags)]]
    total = max(math.fsum(shares), 1e-12)
    means, spread = [], 0.0
    for way in (0, 1):
        mean = math.fsum(share * math.log(lag[way]) for share, lag in zip(shares, lags, strict=True)) / total
        means.append(mean)
        off = math.fsum(
            share * (math.log(lag[way]) - mean) ** 2 for share, lag in zip(shares, lags, strict=True)
        )
        spread = max(spread, off / total)
    doubt = min(state.settling.doubt, max(LEAST_PACE_DOUBT, math.expm1(math.sqrt(spread))))
    state.lag.believe(math.exp(means[0]), math.exp(means[1]), doubt)
