"""How the cables are, as far as a person has confirmed it, and remembered beyond the end of this process."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from drivers.faults import NotConfirmed, Refused
from drivers.roles import Instrument
from sequencer.safety.remembered.announced import Announce, Announced, to_nobody
from sequencer.safety.remembered.mark import Mark

Connection = Literal["direct", "through", "normal", "unknown"]
"""How the cables are: generator to meter, generator through what is measured to meter, as the bench needs them, or in somebody's hands."""
BACK = "All cables are as the bench needs them: generator and load on their paths, unit on the switch"


class Cables:
    """The cables of one bench.

    ``mark`` stands from the moment a person is asked to move them until they are confirmed back: a process that ends
    between the two, however it does, leaves it to the next. None (a simulated bench, which is new each time): nothing is remembered.
    """

    def __init__(self, mark: Mark | None = None, *, announce: Announce = to_nobody) -> None:
        self._mark = mark
        self._announce = announce
        self._connection: Connection = "normal"
        self.left_by = ""
        self.moves = 0
        """How often they were noted as moved, or connected anew."""

    def recall(self) -> None:
        """Find out how an earlier process left them; ``left_by`` then names the file that says so. Raises OSError.

        To be called once nobody else drives the bench.
        """
        found = self._mark.find() if self._mark is not None else None
        if found is not None:
            self._connection = "unknown"
            self.left_by = str(found.path)

    @property
    def moved(self) -> bool:
        """Say whether they are otherwise than the bench needs them for a unit, or may be."""
        return self._connection != "normal"

    def note(
        self, connection: Connection, tell: Callable[[Connection], None] = lambda connection: None
    ) -> None:
        """Take over what a person is asked for ("unknown") or has confirmed; only the latter is told.

        Raises Refused, before anybody is asked, if it cannot be remembered.
        """
        try:
            self._remember(moved=connection != "normal")
        except OSError as error:
            raise Refused(
                f"cannot record that cables are moved: {error.strerror or error}; nobody was asked to move any",
                instrument="bench",
                address=str(self._mark.path) if self._mark is not None else "",
                next_move="See who owns that file, and whether its disk has room.",
            ) from error
        self.moves += 1
        if connection == "unknown":
            self._announce(Announced(what="cables to be moved", begins=True))
        else:
            self._announce(Announced(what="cables connected", begins=True, facts={"connection": connection}))
        self._connection = connection
        if connection != "unknown":
            tell(connection)

    def _remember(self, *, moved: bool) -> None:
        if self._mark is not None:
            self._mark.write(stands=moved)

    def refuse_if_moved(self, asking: Instrument) -> None:
        """Raise Refused, in the name of ``asking``, until a person has confirmed that the cables are back."""
        if self.moved:
            raise Refused(
                "cables were moved by hand and were not confirmed back; no supply is switched on, no PTT pressed, no signal sent",
                instrument=asking.name,
                address=asking.address,
                next_move="Put the cables back as the bench needs them, then run the sequence again.",
            )


def ask_for_connection(text: str, *, cables: Cables, confirm: Callable[[str], bool]) -> None:
    """Have a person undo and make the unit's connection as ``text`` says. The caller has seen to it that nothing is keyed, fed or sent.

    Raises NotConfirmed if the person does not say that it is so: then it counts as undone.
    """
    cables.note("unknown")
    if not confirm(text):
        raise not_confirmed(text)
    cables.note("normal")


def not_confirmed(text: str) -> NotConfirmed:
    """Return the fault of cables of which nobody says that they are as ``text`` says."""
    return NotConfirmed(
        f"not confirmed by the person at the bench: {text}",
        instrument="bench",
        address="cables",
        next_move="Put the cables back as the bench needs them, then run the check again.",
    )
