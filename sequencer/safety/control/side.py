"""What both sides of the bench share: the clock, the channel's frequency, and an end.

A side is good until it is left; kept for later it refuses.
"""

from __future__ import annotations

from typing import TypeVar

from drivers.clock import Clock
from drivers.faults import Refused
from sequencer.safety.proofs.watch import Watch

_T = TypeVar("_T")
NOT_OPEN = "not open"
"""The address of an instrument that the bench file names and that was not opened."""


def present(instrument: _T | None, role: str) -> _T:
    """Return ``instrument``, or raise Refused because the bench has no open ``role``.

    The plan has proved that the bench file names it: what is missing is the instrument's answer.
    """
    if instrument is None:
        raise Refused(
            f"the bench has no open {role}",
            instrument=role,
            address=NOT_OPEN,
            next_move=f"'sequencer identify' says why {role} could not be opened.",
        )
    return instrument


class Side:
    """What both sides share: the clock, the channel's frequency, and an end."""

    __slots__ = ("_clock", "_frequency_hz", "_left", "_watch")

    def __init__(self, clock: Clock, frequency_hz: float) -> None:
        self._clock = clock
        self._frequency_hz = frequency_hz
        self._left = False
        self._watch = Watch()

    @property
    def frequency_hz(self) -> float:
        """The channel's frequency, Hz: the path's loss was taken there."""
        return self._frequency_hz

    def now_s(self) -> float:
        """Return the bench's clock, s."""
        return self._clock.now_s()

    def take_retaken(self) -> str:
        """Return in words how many readings were taken again after a fault since the last call; empty for none."""
        return self._watch.take_retaken()

    def leave(self) -> None:
        """End it: everything that speaks to the bench is refused from now on."""
        self._left = True

    def _refuse_if_left(self) -> None:
        if self._left:
            raise Refused(
                "this side of the bench was left; nothing was sent",
                instrument="bench",
                address="left",
                next_move="A check must not keep its side: take the one it is handed each time.",
            )
