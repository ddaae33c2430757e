"""Ask for the reading that narrows the belief most, prove a response and finish: a curve search that has a family to weigh."""

from __future__ import annotations

import math
from dataclasses import replace

from sequencer.search import curve_verdict as verdict
from sequencer.search.curve_belief import Belief, Believer
from sequencer.search.curve_below import look_below, looked_below
from sequencer.search.curve_bracket import arrived, at_end, next_coarse
from sequencer.search.curve_likelihood import Point
from sequencer.search.curve_pace import believed_lags, learn_pace
from sequencer.search.curve_play import (
    TAKEN_UP_DB,
    matters,
    measured_play_db,
    one_sided,
    plays,
    travel,
    worn_out,
)
from sequencer.search.curve_refine import next_near
from sequencer.search.curve_state import COARSE_DOUBT_DB, NEAR_DOUBT, Note, State
from sequencer.search.curve_verdict import Verdict
from sequencer.search.protocol import Ask, Status

MOST_WEIGHED, WILD_SHARE = 40, 0.125
"""Readings after which a curve foretold must explain all but this share of them; that they only scatter is no reason to give it up."""
NO_SCATTER_S = 1e6
NO_ODDS = -2.0
"""Below, a reading that follows nothing explains the readings better than any curve."""
UNANSWERED = 4
BROAD_DB = 2.5
NORMAL_95 = 1.96
STATED_WIDER = 1.1
"""How many times the accuracy asked for the interval stated may be. A doubtful hypothesis widens it, and to ask for 1.0 would cost one
search in eight a reading [measured]."""
FARTHEST_UP_DB = 20.0
LEAST_OFF_DB = 6.0  # below what it should be at the least, in dB of level, a reading has fallen away
METER_DOUBT = 0.5  # the same where several time constants are weighed
FIRST_WAIT = 2.7  # time constants between the first reading of a slow meter and the second
LEFT_COMING_BACK = 0.2  # of the way: what is still to go looks like play
TO_TRAVEL = (
    2.0  # times the accuracy asked for: from a narrower interval on it is worth asking if the meter has play
)
WORTH_WAITING = 0.25  # of what is in doubt of the crossing
PROOFS_DB = (-5.0, 8.0, -8.0, 14.0)
FALLING_PROOFS_DB = (10.0, -8.0, 14.0, -5.0)
"""Of a ratio that falls: above the crossing it falls away to noise, below it only comes back to what it was."""
EARLY_PROOF = 6.0
"""Of a ratio that falls: times the accuracy asked for, within which the crossing is known well enough to prove the response beside it."""
NEAR_DB, FALLING_NEAR_DB = 0.8, 2.5
"""How far from the crossing a reading at the most counts as near it. Of a ratio that falls it need not be read within a decibel to
confirm it: two on the steep part of the curve agree or do not, and the interval tells by itself what they are worth."""
OVERLOAD_DB = 15.0
UPPER_SHARE, FALLING_UPPER_SHARE = 0.8, 0.4  # of what is in doubt above the median


def first_sample(state: State, level_db: float) -> Ask | None:
    """Return a reading taken at once: where a slow meter stands before it moves, so that its rest need not be waited for."""
    assert state.notes == []
    if state.family is None or state.family.ratio or state.stands is not None or state.is_unhurried:
        return None
    if state.slowest_s < state.reading_s[0]:
        return None
    level_db = state.clip(level_db)
    return Ask(
        level_db=level_db, wait_s=state.settling.least_s, reading_s=state.reading_s[0], purpose="coarse"
    )


def _after_first_sample(state: State) -> Ask | None:
    """Return the reading that tells, with the first, where a meter comes to rest; None where the first one was waited for."""
    sample = state.sample
    if sample is None or state.notes:
        return None
    wait_s = FIRST_WAIT * state.slowest_s
    return Ask(level_db=sample.level_db, wait_s=wait_s, reading_s=state.reading_s[0], purpose="coarse")


def next_weighed(state: State) -> Ask | Verdict:
    """Weigh; return the verdict when the interval is narrow and a response proved, else the reading wanted most."""
    if (ask := _after_first_sample(state)) is not None:
        return ask
    if not state.numbers() or math.isnan(state.notes[-1].excess):
        return next_coarse(state)
    belief = state.fit = _believed(state)
    state.log_odds = belief.log_odds
    if (end := verdict.hopeless(state, belief)) is not None:
        return end
    if (ended := _beyond(state, belief)) is not None:
        return ended
    unanswered = UNANSWERED + (state.sample is not None)
    if len(state.numbers()) >= unanswered and belief.log_odds < NO_ODDS:
        return _look_at_ends(state)
    near, wild = _near(state, belief), _wild(state, belief)
    if belief.half_width_db <= TO_TRAVEL * state.accuracy_db and one_sided(state, belief):
        return travel(state, belief, near) or _near_ask(state, belief, len(near))
    if belief.half_width_db > state.accuracy_db and worn_out(state) and (ask := travel(state, belief, near)):
        return ask
    if _explains_nothing(state, wild):
        return _without_family(state)
    enough = len(near) >= max(2, 3 * wild)
    assert state.family is not None
    stated_db = belief.stated[1] / STATED_WIDER
    narrow = max(belief.half_width_db, stated_db) <= state.accuracy_db and enough
    if narrow and belief.log_odds < state.family.sure_odds:
        return _prove(state, belief)
    if narrow:
        return _finish(state, belief)
    here_db = state.notes[-1].ask.level_db
    if belief.half_width_db > BROAD_DB:
        level_db = _coarse_db(state, belief)
        if abs(level_db - here_db) > 1.0 or state.notes[-1].ask.purpose != "coarse":
            return state.ask_far(level_db, doubt_db=max(COARSE_DOUBT_DB, _worth_db(state, belief)))
    early = _next_proof(state, belief) if _wants_early_proof(state, belief, near) else None
    return early or _near_ask(state, belief, len(near))


def _believed(state: State) -> Belief:
    if state.believer is None:
        assert state.family is not None
        state.believer = Believer(state.family, state.window_db, state.expected, 0.0)
    state.believer.step = state.step()
    lags = believed_lags(state)
    known, played = _known(state), plays(state)
    (still_db, still_share), *others = played
    sets = [
        (share * still_share, still_db, [*known, *_points(state, rise, fall, still_db)])
        for rise, fall, share in lags
    ]
    sets += [(share, play_db, [*known, *_points(state, 1.0, 1.0, play_db)]) for play_db, share in others]
    belief = state.believer.believe([(share, points) for share, _, points in sets])
    if len(lags) > 1 and not state.is_unhurried:
        learn_pace(state, lags, belief.of_sets)
    if others or state.known_play_db is not None:
        state.play_db = measured_play_db(belief, [play_db for _, play_db, _ in sets])
    return replace(belief, trust=belief.trust[len(known) :])


def _worth_db(state: State, belief: Belief) -> float:
    """Return how much may be in doubt of where a slow meter comes to rest, beside what is in doubt of the crossing."""
    return 0.0 if state.is_unhurried else WORTH_WAITING * belief.sd_db


def _known(state: State) -> list[Point]:
    """Return what other searches found on this curve, as readings that do not scatter at levels that are in doubt."""
    sign = 1.0 if state.rising else -1.0
    return [
        Point(
            level_db=one.level_db,
            excess=sign * (one.reading - state.target),
            reading_s=NO_SCATTER_S,
            lag_sd_db=one.sd_db,
        )
        for one in state.known
    ]


def _points(state: State, rise: float, fall: float, play_db: float) -> list[Point]:
    """Return the readings as they would have come to rest; those of an overloaded receiver do not count."""
    made = []
    assert state.family is not None
    in_parts = not state.family.ratio  # a power ratio comes to rest in tens of milliseconds
    passed = sorted(n.level_db for n in state.numbers() if n.excess > 0)
    overloaded = passed[1] + OVERLOAD_DB if len(passed) > 1 else math.inf
    for note, point in zip(state.notes, state.settled(rise, fall, play_db), strict=True):
        if math.isnan(note.excess):
            continue
        made.append(
            Point(
                level_db=point.level_db,
                excess=point.excess - point.rest * in_parts,
                parts=point.parts if in_parts else (),
                reading_s=state.length_s(note),
                lag_sd=point.doubt,
                lag_sd_db=point.doubt_db,
                gain=point.gain,
                counts=not (note.excess < 0 and note.level_db > overloaded),
            )
        )
    return made


def _beyond(state: State, belief: Belief) -> Ask | Verdict | None:
    """Return what to do where the crossing is most likely outside the window and its end has been read."""
    (low, high), note = state.window_db, state.notes[-1]
    if belief.beyond > 0.5 and note.ask.level_db >= high:
        return at_end(state, high)
    if belief.below > 0.5 and note.ask.level_db <= low:
        return at_end(state, low)
    return None


def _near(state: State, belief: Belief) -> list[Note]:
    """Return the readings near the crossing that agree; a look below, for clicks, is one."""
    assert state.family is not None
    reach_db = max(FALLING_NEAR_DB if state.family.falls else NEAR_DB, state.accuracy_db)
    return [
        n
        for n, trust in zip(state.numbers(), belief.trust, strict=True)
        if trust > 0.5 and (abs(n.level_db - belief.level_db) <= reach_db or looked_below(state, belief, n))
    ]


def _wild(state: State, belief: Belief) -> int:
    return sum(trust < 0.2 for trust in belief.trust)


def _explains_nothing(state: State, wild: int) -> bool:
    """Whether no curve of the family is worth holding on to: most readings are strays, or many of very many."""
    count = len(state.numbers())
    return (wild >= 2 and 2 * wild > count) or (count >= MOST_WEIGHED and wild > WILD_SHARE * count)


def _coarse_db(state: State, belief: Belief) -> float:
    """Return where to read while much is open: at the median, above it where noise alone would be read below."""
    q = belief.quantiles_db
    level_db = q[2] + _above_db(state, q[3] - q[2])
    highest_db = max(n.ask.level_db for n in state.notes)
    level_db = min(level_db, highest_db + FARTHEST_UP_DB)
    low, high = state.window_db
    if level_db > high - 1.0:
        return high
    return low if level_db < low + 1.0 else level_db


def _above_db(state: State, spread_db: float) -> float:
    """Return how far above the median to read: of a ratio that falls less, for there a reading that is too high is the one of noise."""
    if state.family is None or not state.family.ratio:
        return 0.0
    share = FALLING_UPPER_SHARE if state.family.falls else UPPER_SHARE
    return min(8.0, share * spread_db)


def _near_ask(state: State, belief: Belief, near: int) -> Ask:
    """Return a reading at the crossing, as long as is expected to suffice; where none was read there yet, half of that."""
    wanted_db = state.accuracy_db / NORMAL_95
    sd_db = belief.sd_db
    if belief.stated_db is not None:
        sd_db = max(sd_db, belief.stated[1] / NORMAL_95)
    more = 1 / wanted_db**2 - 1 / min(sd_db, 2.0) ** 2
    needed_s = 0.1 * belief.noise_db**2 * max(more, 0.0) * 1.1
    if near == 0:
        needed_s *= 0.55
    # A slow meter makes waiting dear; reading a little longer costs nothing beside it.
    needed_s = max(needed_s, 0.4 * state.slowest_s)
    reading_s = next((t for t in state.reading_s if t >= needed_s), state.reading_s[-1])
    if (ask := look_below(state, belief, needed_s, reading_s)) is not None:
        return ask
    here_db, half_db = state.notes[-1].ask.level_db, state.accuracy_db / 2
    stays = abs(here_db - belief.level_db) <= half_db and not state.step()
    assert state.family is not None
    doubt_db = state.accuracy_db * (NEAR_DOUBT if state.family.ratio or state.is_unhurried else METER_DOUBT)
    if state.is_slow:
        doubt_db = max(doubt_db, _worth_db(state, belief))
    rested = state.lag.doubt_db(here_db, 0.0, reading_s) < doubt_db
    level_db = here_db
    if not (stays and (rested or state.is_unhurried)):
        spread_db = state.step() / max(belief.slope, 1e-9) / 2
        side = 1.0 if len(state.notes) % 2 else -1.0
        level_db = state.clip(belief.level_db + side * min(spread_db, 2 * state.accuracy_db))
    comes_back = matters(state) and abs(here_db - level_db) > TAKEN_UP_DB
    most_left = LEFT_COMING_BACK if comes_back else None
    wait_s = state.lag.wait_s(level_db, reading_s, doubt_db, most_left)
    return Ask(level_db=level_db, wait_s=wait_s, reading_s=reading_s, purpose="near")


def _wants_early_proof(state: State, belief: Belief, near: list[Note]) -> bool:
    """Whether the response is to be proved before the crossing is known to what is asked for.

    A ratio that falls goes down from little above its target, so that readings near the crossing hardly ever prove that it follows. The
    proof has to be read in any case, and read early it also tells the curve, for which fewer readings are then needed near by. Not
    before one was asked for near by, or came down there: it would be read too far off the crossing, and another be needed.
    """
    assert state.family is not None
    if not any(n.ask.purpose == "near" or abs(n.level_db - belief.level_db) <= NEAR_DB for n in near):
        return False
    unproved = state.proofs == 0 and belief.log_odds < state.family.sure_odds
    return state.family.falls and unproved and belief.half_width_db < EARLY_PROOF * state.accuracy_db


def _prove(state: State, belief: Belief) -> Ask | Verdict:
    """Read away from the crossing, on either side in turn; after that at the ends of the window; then say what it is."""
    return _next_proof(state, belief) or _look_at_ends(state)


def _next_proof(state: State, belief: Belief) -> Ask | None:
    """Return the next reading away from the crossing; None where all were taken, or lie outside the window."""
    low, high = state.window_db
    assert state.family is not None
    proofs_db = FALLING_PROOFS_DB if state.family.falls else PROOFS_DB
    while state.proofs < len(proofs_db):
        off_db = proofs_db[state.proofs]
        state.proofs += 1
        if low <= belief.level_db + off_db <= high:
            return state.ask_far(belief.level_db + off_db, "proof")
    return None


def _look_at_ends(state: State) -> Ask | Verdict:
    """Read at each end of the window where that was not done; then say what it is."""
    low, high = state.window_db
    for end_db in (high, low):
        if sum(n.ask.level_db == end_db for n in state.notes) < 1:
            return state.ask_far(end_db, "proof")
    if state.above_db is not None and state.below_db is not None:
        return _without_family(state)
    return verdict.classified(state)


def _without_family(state: State) -> Ask | Verdict:
    """Go on as if nothing were known of the curve: the readings are such as no curve of the family would give."""
    if state.family is not None and not state.family.ratio:
        state.given = None
    state.set_aside = state.family or state.set_aside
    state.family, state.fit, state.gave_up_family = None, None, True
    return next_near(state) if arrived(state) else next_coarse(state)


def _finish(state: State, belief: Belief) -> Ask | Verdict:
    """Confirm what contradicts the crossing; then say that it is found, and how."""
    doubtful = verdict.contradicting(state, belief)
    for level_db in doubtful:
        alike = [n for n in state.notes if n.ask.level_db == level_db]
        if len(alike) < 2:
            return state.ask_far(level_db, "again")
    gone = _fallen_away(state, belief)
    if gone:
        count = len(state.numbers())
        return (
            Status.INTERMITTENT,
            f"intermittent: {len(gone)} of {count} readings fell away where others did not",
        )
    if doubtful:
        where = ", ".join(f"{level_db:.1f}" for level_db in doubtful)
        return (
            Status.NOT_MONOTONIC,
            f"the reading is on the wrong side of the target at {where} {state.level_unit}",
        )
    return Status.FOUND, ""


def _fallen_away(state: State, belief: Belief) -> list[Note]:
    """Return the readings far below what others read at the same level or lower, or at the same or higher where a ratio falls.

    Not a meter's first: it had a long way to go, and one that is slower than told was still on it.
    """
    assert state.family is not None
    still_going = None if state.family.ratio else state.notes[0]
    way = (
        -1.0 if state.family.falls else 1.0
    )  # a ratio that falls lies beyond its target where the signal is away
    told = [
        (n, way * n.excess, way * n.level_db, trust)
        for n, trust in zip(state.numbers(), belief.trust, strict=True)
    ]
    return [
        n
        for n, excess, level_db, trust in told
        if trust < 0.2
        and n is not still_going
        and excess < belief.slope * (level_db - way * belief.level_db - LEAST_OFF_DB)
        and any(
            other_db <= level_db + 0.5 and other > excess + 3 * belief.slope
            for _, other, other_db, others_trust in told
            if others_trust >= 0.5
        )
    ]
