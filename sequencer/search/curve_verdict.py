"""Decide how a curve search ends when its readings do not simply say 'found'."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict

from sequencer.quantiles import student_quantile
from sequencer.search.curve_belief import Belief
from sequencer.search.curve_doubt import is_doubted
from sequencer.search.curve_fit import Fit
from sequencer.search.curve_state import Note, State
from sequencer.search.protocol import Status

Verdict = tuple[Status, str]
SURE = 5.0  # standard deviations that count as proof
BY_FAR = 8.0  # a reading this many believed standard deviations beyond the target is proof alone
CLEAR = 2
DUE_DB = 4.0  # further out a reading need not move further: a meter ends somewhere
ALONE_DB = 6.0  # without a prior: a reading this far out is proof alone, if it brings this share of what a straight line would
ALONE_SHARE = 0.7
FLANK_DB = 15.0
CLOSELY, LOOSELY = 0.8, 0.5  # rank correlation of level and reading
NEAR_DB = 2.5
FLAT_SLOPE, CEILINGS_DOUBT_DB = 0.15, 0.3
"""A ratio that rises by less, dB per dB, is ended by distortion or hum right above its target, and how near is not known better:
ceilings of 12.15 to 12.7 dB look the same for a target of 12 dB [measured]."""
IS_FLAT = (
    "at its target the reading hardly rises any more: distortion or hum ends it some tenths of a dB above, "
    "and the level is known badly; mend that first, or lower the target"
)
NOISE_ALONE_DB = 1.0  # above the lowest ratio there is


def stuck(state: State) -> Verdict | None:
    """Tell a reading that never changes, though the level went where it should have."""
    numbers = state.numbers()
    if len(numbers) < 4 or len(numbers) < len(state.notes) or len({n.raw for n in numbers}) > 1:
        return None
    levels = [n.ask.level_db for n in numbers]
    (low, high), excess = state.window_db, numbers[0].raw
    reached = (excess > 0 and min(levels) <= low) or (excess < 0 and max(levels) >= high)
    if reached or (state.fit and max(levels) - min(levels) > 3.0):
        reading = state.readings[-1].value
        return (
            Status.STUCK,
            f"the reading stayed at {state.of_reading(reading)} from {min(levels):.1f} to {max(levels):.1f} {state.level_unit}",
        )
    return None


def responds(state: State, fit: Fit | Belief) -> bool:
    """Whether far readings moved the right way, beyond what scatter and resolution explain.

    Together by five standard deviations, and either one of them by far or two of them by half of what is due: of a dead meter that
    scatters more than was believed, one reading moves the right way by chance. Readings taken near the crossing do not count:
    the fit follows them, so by chance they always seem to respond; nor do coarse ones where the slope was learnt from them.
    Where the odds leave it in doubt (curve_doubt.py), two of them must have been asked for as proofs; what is doubted then is looked at.
    """
    slope = state.belief().slope if state.given else fit.slope
    least_db = min(3.0, 0.3 * (state.window_db[1] - state.window_db[0]))
    counted = ("coarse", "again", "proof") if state.given else ("again", "proof")
    away = [
        (n, n.level_db - fit.level_db)
        for n in state.notes
        if n.ask.purpose in counted
        and not math.isnan(n.excess)
        and abs(n.level_db - fit.level_db) >= least_db
    ]
    if any(math.isinf(n.excess) for n, _ in away):
        return all(n.excess * x > 0 for n, x in away if math.isinf(n.excess))
    if not (_together(state, fit, away, slope) and _clear(state, away, slope) >= CLEAR):
        return False
    return state.proofs > 1 or not is_doubted(state)


def _together(state: State, fit: Fit | Belief, away: list[tuple[Note, float]], slope: float) -> bool:
    """Whether the readings on the flanks, all in all, moved the right way beyond chance and by half of what is due."""
    weight = moved = due = 0.0
    for note, x in [(n, x) for n, x in away if abs(x) <= FLANK_DB] or away:
        variance = (fit.slope * fit.noise_db) ** 2 * 0.1 / state.length_s(note) + state.step() ** 2 / 12
        share = 1 / max(variance, 1e-30)
        weight += share
        moved += share * note.excess * math.copysign(1.0, x)
        due += share * 0.5 * slope * min(abs(x), DUE_DB)
    return weight > 0 and moved > max(due, SURE * math.sqrt(weight), 2 * state.step() * weight)


def _clear(state: State, away: list[tuple[Note, float]], slope: float) -> int:
    """Return how many readings are clearly on the right side; one by far counts as many as are needed."""
    clear = 0
    for note, x in away:
        forward = note.excess * math.copysign(1.0, x)
        by_far = BY_FAR * slope * state.given.sd_at(slope) if state.given else ALONE_SHARE * slope * abs(x)
        if forward >= by_far and (state.given or abs(x) >= ALONE_DB):
            return CLEAR
        clear += abs(x) <= FLANK_DB and forward > 0.5 * slope * min(abs(x), DUE_DB)
    return clear


def contradicting(state: State, fit: Fit | Belief) -> list[float]:
    """Return levels whose last reading lies clearly on the wrong side of the target."""
    last = {n.ask.level_db: n for n in state.notes if not math.isnan(n.excess)}
    limit = max(4 * fit.noise_db * fit.slope, state.step())
    return [
        level_db
        for level_db, note in last.items()
        if abs(note.level_db - fit.level_db) > 3.0
        and note.excess * (note.level_db - fit.level_db) < 0
        and abs(note.excess) > limit
    ]


def hopeless(state: State, fit: Fit | Belief) -> Verdict | None:
    """Stop early when the crossing lies outside the window, moves, or jumps about."""
    low, high = state.window_db
    at_end = _by_level(state.notes)
    if len(at_end[high]) >= 2 and all(n.excess < 0 for n in state.notes):
        return classified(state)
    if len(at_end[low]) >= 2 and all(n.excess > 0 for n in state.notes):
        return classified(state)
    crossings = _crossings(state, fit)
    if len(crossings) < 6:
        return None
    rate = _drift_db_per_s(crossings)
    if abs(rate) * (crossings[-1][0] - crossings[0][0]) > state.accuracy_db:
        return Status.DRIFTING, f"the crossing moves by {rate:+.2g} dB a second"
    wild, count = wild_near(state, fit)
    if count >= 8 and wild >= max(2, count / 3) and responds(state, fit):
        return Status.UNSTABLE, f"{wild} of {count} readings near the crossing do not agree with the others"
    return None


def _crossings(state: State, fit: Fit | Belief) -> list[tuple[float, float]]:
    """Return when each near reading was taken and where it puts the crossing, whatever the fit has made of it since.

    Of a law that bends at the crossing one slope would put readings from one side further off than those from the other, and a search
    that comes nearer from there would look like a crossing that moves.
    """
    if isinstance(fit, Belief):
        below, above = (max(slope, 1e-9) for slope in fit.slopes_beside)
    else:
        below = above = state.belief().slope if state.given else fit.slope
    near = [(n, above if n.excess > 0 else below) for n in state.numbers() if n.ask.purpose == "near"]
    return [(n.at_s, n.level_db - n.excess / slope) for n, slope in near if abs(n.excess) < NEAR_DB * slope]


def wild_near(state: State, fit: Fit | Belief) -> tuple[int, int]:
    """Return how many readings near the crossing do not agree with the others, and how many there are."""
    near = [
        trust
        for n, trust in zip(state.numbers(), fit.trust, strict=True)
        if abs(n.level_db - fit.level_db) < NEAR_DB
    ]
    return sum(trust < 0.3 for trust in near), len(near)


def _drift_db_per_s(residuals: list[tuple[float, float]]) -> float:
    """Return the rate at which crossings rise with time, dB/s; 0 unless it is beyond chance (1 in 100 000)."""
    times, sizes = [t for t, _ in residuals], [r for _, r in residuals]
    if len(set(times)) < 3:
        return 0.0
    rate, offset = statistics.linear_regression(times, sizes)
    left = math.fsum((r - offset - rate * t) ** 2 for t, r in residuals) / (len(residuals) - 2)
    mean_s = statistics.fmean(times)
    spread = math.fsum((t - mean_s) ** 2 for t in times)
    sure = student_quantile(len(residuals) - 2, 1 - 5e-6)
    return rate if abs(rate) > sure * math.sqrt(left / spread) else 0.0


def classified(state: State) -> Verdict:
    """Say which way it failed, from readings up to the ends of the window."""
    levels = [n.ask.level_db for n in state.notes]
    where = f"from {min(levels):g} to {max(levels):g} {state.level_unit}"
    known = [n for n in state.notes if not math.isnan(n.excess)]
    numbers = state.numbers()
    if len(numbers) >= 4 and len(numbers) == len(known) and len({n.raw for n in numbers}) == 1:
        return Status.STUCK, f"the reading stayed the same {where}"
    above = sum(n.excess > 0 for n in known) / max(len(known), 1)
    if len(numbers) == len(known) and not _moved(state, numbers) and not _noise_alone(state, numbers):
        return Status.NO_RESPONSE, f"the reading does not follow the level {where}"
    if above <= 0.2:
        return Status.NEVER_REACHED, f"{_nearest(state, numbers)} {where}"
    if above >= 0.8:
        return Status.ALREADY_PAST, f"{_nearest(state, numbers)} {where}"
    if _follows(numbers) < LOOSELY:
        return Status.NO_RESPONSE, f"the reading changes, but not with the level, {where}"
    return Status.UNSTABLE, f"the reading changes, but does not follow the level {where}"


def _noise_alone(state: State, numbers: list[Note]) -> bool:
    """Whether a ratio that rises was read as noise alone everywhere: nothing was heard, which is no word on what would be."""
    if state.reading_range is None or state.family is None or not state.family.ratio or not state.rising:
        return False
    return all(n.raw <= state.reading_range[0] - state.target + NOISE_ALONE_DB for n in numbers)


def _nearest(state: State, numbers: list[Note]) -> str:
    if not numbers:
        return "every reading was out of range"
    return (
        f"the nearest reading was {state.of_reading(min(abs(n.excess) for n in numbers), 3)} from the target"
    )


def _moved(state: State, numbers: list[Note]) -> bool:
    """Whether the readings at the highest and the lowest level differ by more than scatter explains."""
    groups = _by_level(numbers)
    if len(groups) < 2:
        return False
    top, bottom = groups[max(groups)], groups[min(groups)]
    if any(_stands_out(end_db, numbers, state.step()) for end_db in (max(groups), min(groups))):
        return True
    repeats = [statistics.variance(g) for g in groups.values() if len(g) > 1]
    sd = math.sqrt(statistics.fmean(repeats)) if repeats else 0.0
    if state.given:
        sd = max(sd, state.given.slope * state.given.sd_db * math.sqrt(0.1 / state.length_s(numbers[0])))
    if state.fit:
        sd = max(sd, state.fit.noise_db * state.fit.slope)
    sd = max(sd, state.step() / math.sqrt(12))
    differ = abs(statistics.fmean(top) - statistics.fmean(bottom))
    if not differ > SURE * sd * math.sqrt(1 / len(top) + 1 / len(bottom)):
        return False
    # Two or three repeats tell little of the scatter: ask that the readings follow the level throughout as well.
    return state.given is not None or abs(_rank_correlation(groups)) > CLOSELY


def doubted(state: State) -> Verdict | None:
    """Deny a crossing to readings that fitted no curve foretold, unless they follow the level throughout: one proof may be chance."""
    follows = _follows(state.numbers())
    if not state.gave_up_family or follows >= CLOSELY:
        return None
    if follows < LOOSELY:
        return Status.NO_RESPONSE, "the reading changes, but not with the level"
    return Status.UNSTABLE, "the reading changes, but does not follow the level throughout"


def _by_level(notes: list[Note]) -> dict[float, list[float]]:
    """Return what was read at each level asked."""
    groups: dict[float, list[float]] = defaultdict(list)
    for n in notes:
        groups[n.ask.level_db].append(n.excess)
    return groups


def _follows(numbers: list[Note]) -> float:
    """Return Spearman's coefficient of level and reading; 0 for fewer than three levels."""
    groups = _by_level(numbers)
    return _rank_correlation(groups) if len(groups) > 2 else 0.0


def _stands_out(end_db: float, numbers: list[Note], step: float) -> bool:
    """Whether each of two or more readings at an end of the window differs from all those far from it, the same way.

    Each differs beyond a chance of 1 in 1000. The scatter is that of the far readings: at the end it may be larger.
    """
    end = [n.excess for n in numbers if n.ask.level_db == end_db]
    # A deaf unit may begin to hear just before the end: what lies near it does not count among the others.
    others = [n.excess for n in numbers if abs(n.ask.level_db - end_db) > 12.0]
    if len(others) < 3 or len(end) < 2:
        return False
    mean = statistics.fmean(others)
    sure = student_quantile(len(others) - 1, 1 - 5e-4) * math.sqrt(1 + 1 / len(others))
    limit = max(sure * statistics.stdev(others), 2 * step)
    return all(e - mean > limit for e in end) or all(mean - e > limit for e in end)


def _rank_correlation(groups: dict[float, list[float]]) -> float:
    """Return Spearman's coefficient of level and mean reading."""
    means = {level_db: statistics.fmean(excesses) for level_db, excesses in groups.items()}
    by_level, by_mean = sorted(means), sorted(means, key=lambda level_db: means[level_db])
    return statistics.correlation(range(len(means)), [by_mean.index(level_db) for level_db in by_level])


def is_flat(state: State) -> bool:
    """Whether the curve believed is as good as the flattest one held: its ceiling lies some tenths of a dB above the target, or nearer."""
    family, fit = state.family, state.fit
    if family is None or not family.ratio or family.falls or not isinstance(fit, Belief):
        return False
    return fit.slope < FLAT_SLOPE


def widened(state: State, half_width_db: float) -> float:
    """Return the half-width of the level's interval with what the ceilings held may be off by, where that matters."""
    if not is_flat(state) or state.fit is None:
        return half_width_db
    return math.hypot(half_width_db, CEILINGS_DOUBT_DB / state.fit.slope)


def spent(state: State) -> Verdict:
    """Say why the budget did not suffice."""
    fit, text = state.fit, f"{state.budget} readings did not suffice"
    if fit is None:
        return Status.BUDGET_SPENT, text
    text += f": the interval is +-{fit.stated[1]:.2g} dB"
    # A scatter that a family foretells is large in dB of level where the curve is gentle: that it is large is then no fault.
    wild = not isinstance(fit, Belief) and fit.noise_db > 3 * state.belief().sd_at(fit.slope)
    if wild and fit.half_width_db > state.accuracy_db:
        return Status.UNSTABLE, f"{text}, one 0.1 s reading scatters by {fit.noise_db:.2g} dB"
    return Status.BUDGET_SPENT, text
