"""What the readings of a curve search say when they do not simply say 'found'."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from .curve_fit import Fit
from .curve_prior import CurvePrior, prior_from_slope
from .search import Status
import itertools

if TYPE_CHECKING:
    from .curve_search import CurveSearch

Verdict = tuple[Status, str] | tuple[Status]


def resolution(readings: Iterable[float]) -> float:
    """Return the largest step of a 1-2-5 series of which every reading is a multiple.

    0 when there are too few or none.
    """
    numbers = list(readings)
    if len(numbers) < 3 or len(set(numbers)) < 2:
        return 0.0
    largest = max(abs(n) for n in numbers)
    for exponent in range(3, -7, -1):
        for digit in (5, 2, 1):
            step = digit * 10.0**exponent
            if step > largest or step < 1e-4 * largest:
                continue
            if all(abs(n / step - round(n / step)) < 1e-6 for n in numbers):
                return step
    return 0.0


def widest_gap(levels: Sequence[float], window_db: tuple[float, float]) -> tuple[float, float]:
    """Return the widest stretch of the window without a reading."""
    edges = sorted({*levels, *window_db})
    return max(itertools.pairwise(edges), key=lambda pair: pair[1] - pair[0])


def dead(search: CurveSearch) -> Verdict | None:
    """Tell a reading that never changes, though the level went where it should have."""
    numbers = search._numbers()
    if len(numbers) < 4 or len(numbers) < len(search._notes):
        return None
    if len({n.raw for n in numbers}) > 1:
        return None
    levels = [n.ask.level_db for n in numbers]
    low, high = search.window_db
    span = max(levels) - min(levels)
    excess = numbers[0].excess
    reached = (excess > 0 and min(levels) <= low) or (excess < 0 and max(levels) >= high)
    if reached or (search._near and span > 3.0):
        reading = search._told[-1].reading
        return (
            Status.STUCK,
            f"the reading stayed at {reading:g} from {min(levels):.1f} to {max(levels):.1f} dB",
        )
    return None


def one_sided(search: CurveSearch, status: Status) -> Verdict:
    """Say whether readings that lie all on one side moved with the level at all."""
    numbers = search._numbers()
    low, high = search.window_db
    where = f"from {low:g} to {high:g} dB"
    if len(numbers) < len(search._notes):
        return status, f"readings were out of range {where}"
    end = high if status is Status.NEVER_REACHED else low
    at_end = [n.excess for n in numbers if n.ask.level_db == end]
    others = [n.excess for n in numbers if n.ask.level_db != end]
    if len({n.raw for n in numbers}) == 1:
        return Status.STUCK, f"the reading stayed the same {where}"
    if len(others) < 2:
        return status, f"only {len(numbers)} readings {where}"
    moved = abs(statistics.fmean(at_end) - statistics.fmean(others))
    scatter = max(statistics.pstdev(at_end), 1e-9) if len(others) < 3 else statistics.stdev(others)
    trend = abs(_correlation([n.ask.level_db for n in numbers], [n.excess for n in numbers]))
    if moved > max(5 * scatter, 2 * search._step()) or (trend > 0.9 and len(numbers) >= 4):
        return status, f"the nearest reading was {abs(statistics.fmean(at_end)):.3g} from the target {where}"
    return Status.NO_RESPONSE, f"the reading does not follow the level {where}"


def _correlation(first: Sequence[float], second: Sequence[float]) -> float:
    try:
        return statistics.correlation(first, second)
    except statistics.StatisticsError:
        return 0.0


def learnt_prior(search: CurveSearch) -> CurvePrior:
    """Return a prior from the secant of the bracket when none was given; kept once made."""
    if search._prior is None:
        search._prior = prior_from_slope(search._slope() or 1.0)
    return search._prior


def responds(search: CurveSearch, fit: Fit) -> bool:
    """Whether far readings together moved the right way by five times what scatter and resolution explain."""
    slope = fit.slope if search._given is None else search._given.slope
    away = [(n, n.level_db - fit.level_db) for n in search._notes if not math.isnan(n.excess)]
    far = [(n, x) for n, x in away if 2.0 <= abs(x) <= 15.0] or [(n, x) for n, x in away if abs(x) > 15.0]
    weight = moved = due = 0.0
    for note, x in far:
        if math.isinf(note.excess):
            return note.excess * x > 0
        variance = fit.slope**2 * fit.noise_db**2 * 0.1 / search._length(note)
        share = 1 / (variance + search._step() ** 2 / 12 + 1e-30)
        weight += share
        moved += share * note.excess * math.copysign(1.0, x)
        due += share * 0.3 * slope * min(abs(x), 4.0)
    return (
        weight > 0 and moved > due and moved > 5 * math.sqrt(weight) and moved > 2 * search._step() * weight
    )


def contradicting(search: CurveSearch, fit: Fit) -> list[float]:
    """Return levels whose last reading lies clearly on the wrong side of the target."""
    last = {n.ask.level_db: n for n in search._notes if not math.isnan(n.excess)}
    limit = max(4 * fit.noise_db * fit.slope, search._step())
    return [
        level
        for level, note in last.items()
        if abs(note.level_db - fit.level_db) > 3.0
        and note.excess * (note.level_db - fit.level_db) < 0
        and abs(note.excess) > limit
    ]


def hopeless(search: CurveSearch, fit: Fit) -> Verdict | None:
    """Stop early when the crossing runs out of the window, moves, or jumps about."""
    low, high = search.window_db
    ends = [n for n in search._numbers() if n.ask.level_db in (low, high)]
    if (
        fit.level_db > high + search.accuracy_db
        and sum(n.ask.level_db == high and n.excess < 0 for n in ends) >= 2
    ):
        return Status.NEVER_REACHED, f"the fit crosses at {fit.level_db:.1f} dB, above the window"
    if (
        fit.level_db < low - search.accuracy_db
        and sum(n.ask.level_db == low and n.excess > 0 for n in ends) >= 2
    ):
        return Status.ALREADY_PAST, f"the fit crosses at {fit.level_db:.1f} dB, below the window"
    return None


def found(search: CurveSearch, fit: Fit, contradictions: list[float]) -> Verdict:
    """Word a crossing that was found."""
    if contradictions:
        where = ", ".join(f"{level:.1f}" for level in contradictions)
        return Status.NOT_MONOTONIC, f"the reading is on the wrong side of the target at {where} dB"
    return (Status.FOUND,)


def spent(search: CurveSearch) -> Verdict:
    """Say why the budget did not suffice."""
    fit = search._fit
    text = f"{search.budget} readings did not suffice"
    if fit is None:
        return Status.BUDGET_SPENT, text
    return Status.BUDGET_SPENT, f"{text}: the interval is +-{fit.half_width_db:.2g} dB"
