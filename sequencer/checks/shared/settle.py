"""Waiting until an instrument that cannot say so has settled."""

from __future__ import annotations

from collections.abc import Callable

from drivers.faults import NotSettled
from drivers.roles import Reading


def settle(
    read: Callable[[], Reading],
    wait_s: Callable[[float], None],
    *,
    within: float,
    pause_s: float = 0.1,
    most: int = 20,
) -> list[Reading]:
    """Read until two readings in a row agree to ``within``, and return those two (or one that is no number).

    For instruments that cannot say that they have settled. Raises NotSettled after ``most`` readings.
    """
    last = read()
    for _ in range(most):
        if last.number is None:
            return [last]
        wait_s(pause_s)
        now = read()
        if now.number is not None and abs(now.number - last.number) <= within:
            return [last, now]
        last = now
    raise NotSettled(
        f"readings still differ by more than {within:g} after {most} readings",
        instrument="reading",
        address="the last instrument read",
        next_move="Look for an intermittent connection, or raise the check's own settling allowance.",
    )
