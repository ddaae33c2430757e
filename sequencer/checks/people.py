"""How long people take at a bench: for forecasts, never for results."""

from __future__ import annotations

from collections.abc import Collection

from sequencer.checks.finding import Conditions

ANSWER_S = 6.0
"""To read the question, turn a dial or look at a needle, and type the answer. Common practice, no source."""
AVERAGED = 3
"""About how many readings an averaged figure takes."""
SEARCHED = 6
"""About how many a search by hand takes: 6 or 7, counted on the simulated manual bench."""
WEIGHED = 4
"""The same of a curve that is foretold, such as SINAD: 3 to 5."""
BOTH_WAYS = 7
"""The same of a needle, which is approached from below and from above: 6 to 9."""
TRANSMIT_ANSWERS = 1.75
"""Answers for each dial that a check reads on the transmit side, with channels, moves of the switch and readings with PTT released.

Counted on simulated benches of dials, whose answers it foretells within 20 % (`tests/benchmarks/bench_prompts.py`)."""
SIDE_ROLES = {"receive": ("switch", "radio", "signal_generator"), "transmit": ("switch", "radio"), "loss": ()}


def by_hand(conditions: Conditions, role: str) -> bool:
    """Say whether a person sets or reads the instrument in ``role``."""
    entry = conditions.bench.with_role(role)
    return entry is not None and entry[1].manual


def person_s(conditions: Conditions, roles: Collection[str], side: str, *, readings: int) -> float:
    """Return how long people take, s, in a check that takes ``readings`` of what a person reads or sets by hand.

    A generator turned by hand is set ``readings`` times, each time with what a person reads by it in one answer, and is switched off
    at the end.
    Channel, PTT and audio source are asked for with the reading that needs them; on the transmit side a dial is read once, and now and
    then once more with PTT released.
    """
    if side == "none":
        return 0.0
    manual = {role for role in {*roles, *SIDE_ROLES[side]} if by_hand(conditions, role)}
    answers: float = len(manual & {"supply"} if side == "transmit" else manual & {"switch", "supply"})
    readers = manual - {
        "switch",
        "supply",
        "radio",
        "signal_generator",
        "audio_analyser" if side == "transmit" else "",
    }
    if side == "transmit":
        answers += TRANSMIT_ANSWERS * len(readers)
    elif "signal_generator" in manual:
        answers += readings + 1
    else:
        answers += readings * len(readers)
    if "radio" in manual and not readers and not (side == "receive" and "signal_generator" in manual):
        answers += 2
    return ANSWER_S * answers
