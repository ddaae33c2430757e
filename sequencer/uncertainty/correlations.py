"""Correlations between the inputs of a budget."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import combinations

Correlation = tuple[str, str, float]
"""Two sources and the correlation coefficient of their estimates, -1...1."""


def correlations_of_readings(readings: Mapping[str, Sequence[float]]) -> tuple[Correlation, ...]:
    """Return the correlations of inputs that were read together, two or more times (GUM 5.2.3, H.2).

    ``readings``: source to its readings, in the order taken. ValueError for unequal lengths, fewer than two,
    or an input that never changed.
    """
    import numpy as np

    lengths = {source: len(column) for source, column in readings.items()}
    if len(set(lengths.values())) != 1 or min(lengths.values()) < 2:
        raise ValueError(
            f"readings taken together must be equally many and at least two; there are {lengths}"
        )
    for source, column in readings.items():
        if not all(math.isfinite(x) for x in column) or min(column) == max(column):
            raise ValueError(
                f"{source}: its readings must be finite and not all the same to show a correlation"
            )
    matrix = np.clip(
        np.corrcoef(np.array([list(column) for column in readings.values()], dtype=float)), -1, 1
    )
    pairs = combinations(enumerate(readings), 2)
    return tuple((one, other, float(matrix[i, j])) for (i, one), (j, other) in pairs)


def correlation_matrix(sources: Sequence[str], correlations: Sequence[Correlation]) -> list[list[float]]:
    """Return the matrix of correlation coefficients in the order of ``sources``; others are passed over."""
    matrix = [[float(i == j) for j in range(len(sources))] for i in range(len(sources))]
    for one, other, coefficient in correlations:
        if one in sources and other in sources:
            i, j = sources.index(one), sources.index(other)
            matrix[i][j] = matrix[j][i] = coefficient
    return matrix


def check_correlations(quantity: str, sources: Sequence[str], correlations: Sequence[Correlation]) -> None:
    """Refuse what cannot be: unknown sources, pairs named twice, contradicting coefficients (ValueError)."""
    pairs = set()
    for one, other, coefficient in correlations:
        for source in (one, other):
            if source not in sources:
                raise ValueError(
                    f"{quantity}: correlation with {source!r}, which is no contribution; "
                    f"there are {', '.join(sources)}"
                )
        if one == other or frozenset((one, other)) in pairs:
            raise ValueError(f"{quantity}: {one!r} and {other!r} are correlated twice, or with themselves")
        if not -1 <= coefficient <= 1:
            raise ValueError(
                f"{quantity}: correlation of {one!r} and {other!r} is {coefficient}; -1 to 1 is allowed"
            )
        pairs.add(frozenset((one, other)))
    if not correlations:
        return
    import numpy as np

    # -1e-9 forgives the machine's rounding only: a matrix that fails by more gives variances below zero.
    if float(np.linalg.eigvalsh(np.array(correlation_matrix(sources, correlations))).min()) < -1e-9:
        raise ValueError(
            f"{quantity}: these correlations cannot all hold at once (their matrix is not positive "
            "semidefinite). Check their signs, or work them out from the readings together."
        )
