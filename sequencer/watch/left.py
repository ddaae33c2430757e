"""How a bench was left by sessions that are over: what they could not confirm stands until a later one reads the bench back safe."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from sequencer.results.bench_now import BenchNow

SUPPLY = "Remove the supply from the unit now, then look at the generator and the push-to-talk (PTT) line."
OWN_SWITCH = "at its own switch"
"""What is said first of a chamber that could not be stopped: the unit's supply is off then."""
GONE = (
    "How it was left nobody has read back. Treat the unit as on the air: remove its supply before you touch it. "
    "The next command on this bench makes it safe first."
)


def as_left(benches: Iterable[BenchNow]) -> list[BenchNow]:
    """Return the sessions to be shown: one that left its bench unsafe, or died, is shown as part of the session that came after it."""
    found = list(benches)
    for one in sorted(found, key=lambda one: -one.silent_s):
        if one.doing.safe is True or not ((one.ended and one.doing.safe is False) or one.is_gone):
            continue
        later = [at for at, other in enumerate(found) if _came_after(other, one)]
        if not later:
            continue
        newest = min(later, key=lambda at: found[at].silent_s)
        if not any(found[at].doing.safe is True for at in later):
            found[newest] = _with(found[newest], one)
        found.remove(one)
    return found


def with_supply(why: str) -> str:
    """Return why a bench is not safe, with what to do first."""
    said = "remove the supply" in why.lower() or OWN_SWITCH in why
    return why if said else f"{why} {SUPPLY}".strip()


def _came_after(other: BenchNow, one: BenchNow) -> bool:
    same = (other.worked.bench, other.worked.machine) == (one.worked.bench, one.worked.machine)
    return same and other.worked.id != one.worked.id and other.silent_s < one.silent_s


def _with(later: BenchNow, before: BenchNow) -> BenchNow:
    """Return a session with what the one before it left open."""
    doing = later.doing
    if before.doing.safe is False and doing.safe is None:
        doing = replace(doing, safe=False, safe_why=with_supply(before.doing.safe_why))
    elif doing.safe is None and later.ended:
        doing = replace(doing, safe_why=GONE)
    if not doing.fault:
        doing = replace(doing, fault=before.doing.fault, fault_at=before.doing.fault_at)
    return replace(later, doing=doing)
