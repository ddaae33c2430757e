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
"""The same of a curve that is foretold, SINAD or a needle: 3 to 5."""
SIDE_ROLES = {"receive": ("switch", "radio", "signal_generator"), "transmit": ("switch", "radio"), "loss": ()}


def by_hand(conditions: Conditions, role: str) -> bool:
    """Say whether a person sets or reads the instrument in ``role``."""
    entry = conditions.bench.with_role(role)
    return entry is not None and entry[1].manual


def person_s(conditions: Conditions, roles: Collection[str], side: str, *, readings: int) -> float:
    """Return how long people take, s: ``readings`` of each instrument that is read by hand, and to reach the side.

    A generator turned by hand is set ``readings`` times, the first time with its frequency and modulation, which takes as long as
    two; it is switched off at the end.
    """
    if side == "none":
        return 0.0
    answers = 0
    for role in {*roles, *SIDE_ROLES[side]}:
        if by_hand(conditions, role):
            answers += {"switch": 1, "radio": 2, "supply": 1, "signal_generator": readings + 2}.get(
                role, readings
            )
    return ANSWER_S * answers
