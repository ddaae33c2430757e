"""Further readings: what a check takes only where what it found so far would decide by its limits, to confirm it first.

A run on a bench takes them. A stored run that is judged anew by other limits may have none of them; then the check goes by the readings
there are, and says so.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol


class Further:
    """Further readings of a check: what they confirm, and whether it ``takes`` them.

    ``is_missing`` says afterwards that they are wanted, and that the stored run which is judged anew has none.
    """

    __slots__ = ("confirms", "is_missing", "takes")

    def __init__(self, confirms: str, *, takes: bool) -> None:
        self.confirms = confirms
        self.takes = takes
        self.is_missing = False

    @property
    def note(self) -> str:
        """What a result says that goes without them; empty where they were taken, or nobody asked for them."""
        if not self.is_missing:
            return ""
        return (
            f"not confirmed: {self.confirms}. A measurement by these limits takes further readings for that, and the stored run has none: "
            "judged by those that it has; measure the check again to have it confirmed"
        )


class TakeFurther(Protocol):
    """Returns a block in which a check takes further readings; they count where its limits want them and they are not missing."""

    def __call__(self, confirms: str, *, wanted: bool, sets: bool = True) -> AbstractContextManager[Further]:
        """Return the block.

        ``confirms`` says in words what the readings confirm ("that the source was off"), ``sets`` whether they leave instruments set
        otherwise than they were.
        """
        ...


class Noting:
    """Takes further readings as another does, and keeps what their results are to say where some are missing."""

    def __init__(self, take: TakeFurther) -> None:
        self._take = take
        self.notes: list[str] = []

    @contextmanager
    def __call__(self, confirms: str, *, wanted: bool, sets: bool = True) -> Iterator[Further]:
        """Return the block."""
        with self._take(confirms, wanted=wanted, sets=sets) as further:
            yield further
        if further.note:
            self.notes.append(further.note)


@contextmanager
def taken(confirms: str, *, wanted: bool, sets: bool = True) -> Iterator[Further]:
    """Take them: the bench is there."""
    yield Further(confirms, takes=wanted)
