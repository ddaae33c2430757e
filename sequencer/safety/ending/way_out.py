"""Making a bench safe: every step is tried until it is confirmed, with pauses, for some seconds in all.

An instrument that is busy now answers a second later: a server that takes one client needs that long to notice that it lost it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.clock import Clock
from sequencer.frozen import dataclass

PATIENCE_S = 6.0
"""How long after the first try another is begun; what one try takes, its instruments' time-outs bound."""
FIRST_PAUSE_S = 0.2
LONGEST_PAUSE_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeStep:
    """One step: ``act`` raises unless it is confirmed; ``done`` and ``failed`` are words for the last line.

    ``otherwise`` is done once, after the first two tries have failed, and returns what more is to be said; it raises nothing.
    """

    act: Callable[[], object]
    done: str
    failed: str
    otherwise: Callable[[], str] = lambda: ""


def take_steps(
    steps: Sequence[SafeStep], clock: Clock, *, patience_s: float = PATIENCE_S
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Take all steps, one that fails sparing no other; return what was confirmed, and what could not be.

    Each is tried twice at once, and then with the others that failed, while ``patience_s`` lasts.
    """
    until_s = clock.now_s() + patience_s
    pause_s = FIRST_PAUSE_S
    why = {step.done: _tried(step, times=2) for step in steps}
    more = {step.done: step.otherwise() for step in steps if why[step.done] is not None}
    while any(fault is not None for fault in why.values()) and clock.now_s() + pause_s <= until_s:
        clock.wait_s(pause_s)
        pause_s = min(2.0 * pause_s, LONGEST_PAUSE_S)
        for step in steps:
            if why[step.done] is not None:
                why[step.done] = _tried(step)
    problems: list[str] = []
    for step in steps:
        if (fault := why[step.done]) is not None:
            problems += [f"{step.failed} ({fault})", *filter(None, [more[step.done]])]
    return tuple(step.done for step in steps if why[step.done] is None), tuple(problems)


def _tried(step: SafeStep, times: int = 1) -> Exception | None:
    """Return why it failed the last of so many times; None as soon as it did not."""
    found: Exception | None = None
    for _ in range(times):
        try:
            step.act()
        except (
            Exception
        ) as fault:  # a driver from elsewhere may raise anything; the other steps must be tried
            found = fault
        else:
            return None
    return found
