"""Fit, read where it narrows the interval most, prove and finish: the fine part of a curve search."""

from __future__ import annotations

import math

from sequencer.search import curve_verdict as verdict
from sequencer.search.curve_fit import NEAR_DB, Fit, fit_crossing, mixed, student_95
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.curve_state import NEAR_DOUBT, Note, State
from sequencer.search.curve_verdict import Verdict
from sequencer.search.protocol import Ask, Status

# Normal deviates of the time constants and their weights (Gauss-Hermite, three points), with a tail for a meter
# slower than told.
TAU_DEVIATES = ((-1.73, 1 / 6), (0.0, 2 / 3), (1.73, 1 / 6), (3.5, 0.01), (5.5, 0.003))
PROOF_AFTER = 5  # readings without a proven response: prove it now
MOST_PROOFS = 3
UNKNOWN_S = 0.5  # a proof reading where the scatter was not known before
MOST_CONFIRMING = 3


def next_near(state: State) -> Ask | Verdict:
    """Fit; return the verdict when the interval is narrow and proved, else the reading wanted most."""
    state.fit = fit = _fitted(state)
    if (end := verdict.hopeless(state, fit)) is not None:
        return end
    believed, wild = len(_believed_near(state, fit)), verdict.wild_near(state, fit)[0]
    # One outlier may be chance; two may be a unit that jumps about, and more readings tell which.
    enough = believed >= (3 * wild if wild >= 2 else 2)
    narrow = fit.half_width_db <= state.accuracy_db and enough
    if (narrow or len(state.notes) >= PROOF_AFTER) and not verdict.responds(state, fit):
        return _prove(state, fit)
    if narrow and not _hangs_on_one(state, fit):
        return _finish(state, fit)
    reading_s = _reading_time(state, fit)
    return _near_ask(state, fit, _place(state, fit, reading_s), reading_s)


def _fitted(state: State) -> Fit:
    """Fit; for a slow reading under several time constants, blended, because their error is common to all readings."""
    prior, step = state.belief(), state.step()
    starts = [state.fit.level_db] if state.fit else []
    guess = state.numbers()[-1]
    if not starts or guess.ask.purpose == "near":
        starts.append(guess.level_db - guess.excess / prior.slope)
    fit = fit_crossing(state.points(), prior, starts, step)
    if not state.is_slow or state.settling.doubt <= 0:
        return fit
    factors = [(math.exp(deviate * state.settling.doubt), share) for deviate, share in TAU_DEVIATES]
    return mixed(
        [
            (rise_share * fall_share, fit_crossing(state.points(rise, fall), prior, [fit.level_db], step))
            for rise, rise_share in factors
            for fall, fall_share in factors
        ]
    )


def _near_ask(state: State, fit: Fit, level_db: float, reading_s: float) -> Ask:
    level_db = state.clip(level_db)
    wait_s = state.lag.wait_s(level_db, reading_s, NEAR_DOUBT * state.accuracy_db)
    if fit.blend_db > 0.5 * fit.sd_db:
        wait_s = max(wait_s, 0.8 * state.slowest_s)  # what is left to learn is the lag, so let it pass
    return Ask(level_db=level_db, wait_s=wait_s, reading_s=reading_s, purpose="near")


def _believed_near(state: State, fit: Fit) -> list[Note]:
    """Return the readings near the crossing that agree: two, one of them an outlier, must not end a search."""
    reach_db = max(0.8, state.accuracy_db)
    return [
        n
        for n, trust in zip(state.numbers(), fit.trust, strict=True)
        if abs(n.level_db - fit.level_db) <= reach_db and trust > 0.5
    ]


def _hangs_on_one(state: State, fit: Fit) -> bool:
    """Whether the crossing would move by more than its interval without one of the readings near it: another is to confirm it.

    Asked of few readings only: among more, one that is odd is outvoted.
    """
    if len(_believed_near(state, fit)) > 1 + MOST_CONFIRMING:
        return False
    prior, step, points = state.belief(), state.step(), state.points()
    near = [at for at, one in enumerate(points) if abs(one.level_db - fit.level_db) < NEAR_DB]
    whole = fit_crossing(points, prior, [fit.level_db], step)
    for at in near if len(points) > 1 else ():
        others = points[:at] + points[at + 1 :]
        without = fit_crossing(others, prior, [fit.level_db], step)
        if abs(without.level_db - whole.level_db) > fit.half_width_db:
            return True
    return False


def _reading_time(state: State, fit: Fit) -> float:
    """Return the shortest reading time that is expected to suffice, or the longest there is."""
    wanted = state.accuracy_db / student_95(fit.dof)
    more = 1 / wanted**2 - 1 / fit.sd_db**2
    needed_s = max(0.1 * fit.noise_db**2 * more, _shortest_s(state.belief(), fit, state.accuracy_db))
    # While the crossing is uncertain, so is what a reading off it says: longer than this is wasted.
    blur_db = max(fit.sd_db * fit.slope_sd / fit.slope, 1e-6)
    needed_s = min(needed_s, 0.1 * (fit.noise_db / blur_db) ** 2)
    # A slow meter makes waiting dear; reading a little longer costs nothing beside it.
    needed_s = max(needed_s, 0.4 * state.slowest_s)
    return next((t for t in state.reading_s if t >= needed_s), state.reading_s[-1])


def _shortest_s(prior: CurvePrior, fit: Fit, accuracy_db: float) -> float:
    """Return the reading time below which the mean of a reading in dB would be off by a tenth of the accuracy."""
    if not prior.ratio_db:
        return 0.0
    # The mean of 10 log of a scattering power is 0.115 sd^2 off, sd in dB of the reading.
    return 0.1 * 0.115 * fit.noise_db**2 * fit.slope / (0.1 * accuracy_db)


def _place(state: State, fit: Fit, reading_s: float) -> float:
    """Return where to read: stay when that costs nothing, else at the crossing, a little to the lighter side."""
    here_db = state.notes[-1].ask.level_db
    read_s = reading_s if len(state.reading_s) > 1 else 0.1
    spread_db = max(0.35 * fit.noise_db * math.sqrt(0.1 / read_s), state.step() / fit.slope / 2)
    half_db = state.accuracy_db / 2
    stays = abs(here_db - fit.level_db) <= max(half_db, spread_db) and abs(fit.centroid_db) <= half_db
    rested = state.lag.doubt_db(here_db, 0.0, reading_s) < NEAR_DOUBT * state.accuracy_db
    if stays and rested and not state.step():
        return here_db
    side = -1.0 if fit.centroid_db > 0 else 1.0
    return fit.level_db + side * min(spread_db, 2 * state.accuracy_db)


def _prove(state: State, fit: Fit) -> Ask | Verdict:
    """Read far from the crossing, on either side in turn; after that at the ends of the window; then say what it is."""
    low, high = state.window_db
    if state.proofs < MOST_PROOFS:
        away_db = max(4.0 if state.given else 8.0, 4 * state.step() / fit.slope) * (1 + state.proofs // 2)
        roomier = 1.0 if high - fit.level_db > fit.level_db - low else -1.0
        side = roomier * (-1.0 if state.proofs == 1 else 1.0)
        state.proofs += 1
        # Long enough for five standard deviations to fit into half of what the slope believed should bring.
        needed_s = 0.1 * (5 * fit.noise_db * fit.slope / (0.5 * state.belief().slope * away_db)) ** 2
        needed_s = needed_s if state.given else max(needed_s, UNKNOWN_S)
        reading_s = next((t for t in state.reading_s if t >= needed_s), state.reading_s[-1])
        return state.ask_far(fit.level_db + side * away_db, "proof", reading_s)
    for end_db in (high, low):
        if sum(n.ask.level_db == end_db for n in state.notes) < 1:
            return state.ask_far(end_db, "proof")
    return verdict.classified(state)


def _finish(state: State, fit: Fit) -> Ask | Verdict:
    """Confirm a reading far away that contradicts the crossing, unless one was read twice; then say it is found."""
    doubtful = verdict.contradicting(state, fit)
    if not doubtful:
        return Status.FOUND, ""
    if any(sum(n.ask.level_db == level_db for n in state.notes) > 1 for level_db in doubtful):
        where = ", ".join(f"{level_db:.1f}" for level_db in doubtful)
        return (
            Status.NOT_MONOTONIC,
            f"the reading is on the wrong side of the target at {where} {state.level_unit}",
        )
    return state.ask_far(doubtful[0], "again")
