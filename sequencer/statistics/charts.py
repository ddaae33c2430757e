"""Shewhart and EWMA control charts: centre, limits, and which points fall outside.

A chart says whether a process changed, not whether its units are good. Limits stand three standard deviations from the centre; of
an undisturbed process one point in 370 falls outside. Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 and 6.3.3;
ISO 7870-2:2013 (from memory).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from itertools import pairwise

from sequencer.frozen import dataclass
from sequencer.statistics.chart_constants import ChartConstants, c4, chart_constants

FEWEST_INDIVIDUALS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One chart: its points in order, its centre, and the limits at each point."""

    name: str
    points: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]

    @property
    def outside(self) -> tuple[int, ...]:
        """Which points lie beyond a limit, counted from 0."""
        checked = enumerate(zip(self.points, self.lower, self.upper, strict=True))
        return tuple(at for at, (point, low, high) in checked if not low <= point <= high)

    @property
    def scaled(self) -> tuple[float, ...]:
        """The points in standard deviations from the centre, for run rules; 0 where the limits leave no room."""
        widths = ((high - self.centre) / 3.0 for high in self.upper)
        return tuple(
            (point - self.centre) / width if width > 0 else 0.0
            for point, width in zip(self.points, widths, strict=True)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPair:
    """A chart of location, a chart of spread, and the standard deviation within samples that both rest on."""

    location: Chart
    spread: Chart
    sigma: float


def individuals_and_moving_range(values: Sequence[float]) -> ChartPair:
    """Return the charts of single values and of the range of neighbours (NIST/SEMATECH 6.3.2.2, with d2 unrounded).

    Two values or more, all finite; ValueError otherwise.
    """
    _check(values, fewest=FEWEST_INDIVIDUALS)
    ranges = [abs(later - earlier) for earlier, later in pairwise(values)]
    constants = chart_constants(2)
    mean_range = statistics.fmean(ranges)
    sigma = mean_range / constants.d2
    location = _constant("individuals", values, statistics.fmean(values), 3.0 * sigma)
    return ChartPair(
        location=location, spread=_range_chart("moving range", ranges, mean_range, constants), sigma=sigma
    )


def means_and_ranges(samples: Sequence[Sequence[float]]) -> ChartPair:
    """Return the X-bar and R charts of two or more samples of one size of at least 2; ValueError otherwise."""
    constants = _check_samples(samples)
    ranges = [max(sample) - min(sample) for sample in samples]
    mean_range = statistics.fmean(ranges)
    means = [statistics.fmean(sample) for sample in samples]
    location = _constant("means", means, statistics.fmean(means), constants.a2 * mean_range)
    spread = _range_chart("ranges", ranges, mean_range, constants)
    return ChartPair(location=location, spread=spread, sigma=mean_range / constants.d2)


def means_and_deviations(samples: Sequence[Sequence[float]]) -> ChartPair:
    """Return the X-bar and s charts of two or more samples of one size of at least 2; ValueError otherwise."""
    constants = _check_samples(samples)
    deviations = [deviation_of(sample) for sample in samples]
    mean_deviation = statistics.fmean(deviations)
    means = [statistics.fmean(sample) for sample in samples]
    location = _constant("means", means, statistics.fmean(means), constants.a3 * mean_deviation)
    low, high = (factor * mean_deviation for factor in constants.deviation_limits)
    spread = _chart("standard deviations", deviations, mean_deviation, low, high)
    return ChartPair(location=location, spread=spread, sigma=mean_deviation / constants.c4)


def means_of_groups(samples: Sequence[Sequence[float]]) -> Chart:
    """Return the X-bar chart of two or more samples of any sizes of at least 2; ValueError otherwise.

    The standard deviation within is pooled over the samples and freed of its bias by c4 of its degrees of freedom plus one; limits stand
    3 of it over root n from the mean of all values (Montgomery, Introduction to Statistical Quality Control, 6.3.2, from memory).
    """
    if len(samples) < 2:
        raise ValueError("two or more samples are needed")
    for sample in samples:
        _check(sample, fewest=2)
    dof = sum(len(sample) - 1 for sample in samples)
    squares = math.fsum(map(squares_about_mean, samples))
    sigma = math.sqrt(squares / dof) / c4(dof + 1)
    centre = statistics.fmean([value for sample in samples for value in sample])
    reach = [3.0 * sigma / math.sqrt(len(sample)) for sample in samples]
    return Chart(
        name="means of groups",
        points=tuple(map(statistics.fmean, samples)),
        centre=centre,
        lower=tuple(centre - one for one in reach),
        upper=tuple(centre + one for one in reach),
    )


def squares_about_mean(sample: Sequence[float]) -> float:
    """Return the sum of squares about the mean; `statistics.variance` reckons in fractions, which takes ten times as long [measured]."""
    mean = statistics.fmean(sample)
    return math.fsum([(value - mean) ** 2 for value in sample])


def deviation_of(sample: Sequence[float]) -> float:
    """Return the standard deviation of two or more values, with n - 1."""
    return math.sqrt(squares_about_mean(sample) / (len(sample) - 1))


def proportion_chart(counts: Sequence[int], sizes: Sequence[int]) -> Chart:
    """Return the p chart of ``counts`` failing units of ``sizes`` tested; limits are p +- 3 sqrt(p (1 - p) / n), within 0...1.

    NIST/SEMATECH 6.3.3.2. ValueError for lists that do not match or a count beyond its size.
    """
    pairs = list(zip(counts, sizes, strict=True))
    if not pairs or any(not 0 <= count <= size or size < 1 for count, size in pairs):
        raise ValueError("a p chart needs at least one sample, and in each 0 to n failing of n tested")
    centre = sum(counts) / sum(sizes)
    reach = [3.0 * math.sqrt(centre * (1.0 - centre) / size) for size in sizes]
    return Chart(
        name="share failing",
        points=tuple(count / size for count, size in pairs),
        centre=centre,
        lower=tuple(max(0.0, centre - one) for one in reach),
        upper=tuple(min(1.0, centre + one) for one in reach),
    )


def count_chart(counts: Sequence[int]) -> Chart:
    """Return the c chart of defects counted on samples of one size; limits are c +- 3 sqrt(c), at least 0 (NIST/SEMATECH 6.3.3.1)."""
    if not counts or any(count < 0 for count in counts):
        raise ValueError("a c chart needs at least one count, none below 0")
    centre = statistics.fmean(counts)
    reach = 3.0 * math.sqrt(centre)
    return _chart("defects", counts, centre, max(0.0, centre - reach), centre + reach)


def weighted_means(values: Sequence[float], *, start: float, weight: float) -> tuple[float, ...]:
    """Return the exponentially weighted mean after each value, which shows a small lasting drift (NIST/SEMATECH 6.3.2.4).

    ``weight`` of the newest value, above 0 to 1; ValueError beyond.
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"weight {weight} must be above 0 to 1")
    means, mean = [], start
    for value in values:
        mean += weight * (value - mean)
        means.append(mean)
    return tuple(means)


def _range_chart(name: str, ranges: Sequence[float], mean_range: float, constants: ChartConstants) -> Chart:
    low, high = (factor * mean_range for factor in constants.range_limits)
    return _chart(name, ranges, mean_range, low, high)


def _constant(name: str, points: Sequence[float], centre: float, reach: float) -> Chart:
    return _chart(name, points, centre, centre - reach, centre + reach)


def _chart(name: str, points: Sequence[float], centre: float, lower: float, upper: float) -> Chart:
    count = len(points)
    return Chart(
        name=name, points=tuple(points), centre=centre, lower=(lower,) * count, upper=(upper,) * count
    )


def _check(values: Sequence[float], *, fewest: int) -> None:
    if len(values) < fewest:
        raise ValueError(f"{len(values)} values make no chart: {fewest} or more are needed")
    if not all(map(math.isfinite, values)):
        raise ValueError("a value that is not finite has no place on a chart")


def _check_samples(samples: Sequence[Sequence[float]]) -> ChartConstants:
    if len(samples) < 2 or len({len(sample) for sample in samples}) != 1:
        raise ValueError("two or more samples are needed, all of one size")
    for sample in samples:
        _check(sample, fewest=2)
    return chart_constants(len(samples[0]))
