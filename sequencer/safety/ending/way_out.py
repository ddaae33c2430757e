"""Making a bench safe: every step is tried until it is confirmed, with pauses, for some seconds in all.

An instrument that is busy now answers a second later: a server that takes one client needs that long to notice that it lost it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.clock import Clock
from drivers.faults import InstrumentFault
from sequencer.frozen import dataclass
from sequencer.safety.control.side import NOT_OPEN

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

    Each is tried twice at once, and then with the others that failed, while ``patience_s`` lasts; not one whose instrument was not opened.
    """
    until_s = clock.now_s() + patience_s
    pause_s = FIRST_PAUSE_S
    why = {step.done: _tried(step, times=2) for step in steps}
    more = {step.done: step.otherwise() for step in steps if why[step.done] is not None}
    while any(map(_may_pass, why.values())) and clock.now_s() + pause_s <= until_s:
        clock.wait_s(pause_s)
        pause_s = min(2.0 * pause_s, LONGEST_PAUSE_S)
        for step in steps:
            if _may_pass(why[step.done]):
                why[step.done] = _tried(step)
    problems: list[str] = []
    for step in steps:
        if (fault := why[step.done]) is not None:
            problems += [f"{step.failed} ({_why(fault)})", *filter(None, [more[step.done]])]
    return tuple(step.done for step in steps if why[step.done] is None), tuple(problems)


def _is_not_open(fault: Exception) -> bool:
    return isinstance(fault, InstrumentFault) and fault.address == NOT_OPEN


def _may_pass(fault: Exception | None) -> bool:
    """Say whether a step that failed may be confirmed yet: an instrument that was not opened stays so."""
    return fault is not None and not _is_not_open(fault)


def _why(fault: Exception) -> str:
    """Return why a step was not confirmed; of an instrument that was not opened only that, for why stands with its own fault."""
    if isinstance(fault, InstrumentFault) and _is_not_open(fault):
        return f"{fault.instrument} is not open"
    return str(fault)


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
