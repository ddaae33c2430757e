"""How long people take at a bench: for forecasts, never for results."""

from __future__ import annotations

from collections.abc import Collection

from sequencer.checks.finding import Conditions

ANSWER_S = 6.0
"""To read the question, turn a dial or look at a needle, and type the answer. Common practice, no source."""
AVERAGED = 3.0
"""About how many readings an averaged figure takes."""
WEIGHED = 4.6
"""About how many levels a search for SINAD takes, whose curve is foretold."""
SEARCHED = 7.0
"""The same for a figure whose curve is not, such as quieting."""
BESIDE_ANOTHER = 4.8
"""The same for the level of a second signal that spoils the first."""
NEEDLE, NEEDLE_BY_EYE = 7.0, 6.8
"""The same for a needle, which is approached from below and from above: where a voltmeter reads it, and where a person does."""
EACH_MARK, EACH_MARK_BY_EYE = 3.5, 4.5
"""The same for each mark of several."""
SWITCHED, SWITCHED_BY_EYE = 28.0, 45.0
"""The same for a squelch: where the analyser reads the loudspeaker, and where a person does."""
FALLEN = 10.0
"""The same for the level at which the audio has fallen by some decibels.

All counted on simulated benches by hand, and held to 20 % in the mean of several benches by `tests/behaviour/test_forecasts.py`."""
TRANSMIT_ANSWERS = 1.75
"""Answers for each dial that a check reads on the transmit side, with channels, moves of the switch and readings with PTT released.

Counted on simulated benches of dials, whose answers it foretells within 20 % (`tests/benchmarks/bench_prompts.py`)."""
SIDE_ROLES = {"receive": ("switch", "radio", "signal_generator"), "transmit": ("switch", "radio"), "loss": ()}


def by_hand(conditions: Conditions, role: str) -> bool:
    """Say whether a person sets or reads the instrument in ``role``."""
    entry = conditions.bench.with_role(role)
    return entry is not None and entry[1].manual


def beside_another(offsets: int, *, wanted_is_stated: bool) -> float:
    """Return about how many readings it takes to raise a second signal at each of so many ``offsets``, with the sensitivity before it."""
    return (0.0 if wanted_is_stated else WEIGHED) + BESIDE_ANOTHER * offsets


def person_s(conditions: Conditions, roles: Collection[str], side: str, *, readings: float) -> float:
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
