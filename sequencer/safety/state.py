"""How a bench was left."""

from __future__ import annotations

from typing import Literal

from sequencer.frozen import dataclass

Feels = Literal["hot", "cold", ""]
CABLES_MOVED = "CABLES WERE MOVED BY HAND and not confirmed back: put them back before anything else is run."

CHAMBER_RUNS = "the chamber could not be confirmed stopped"
SWITCH_CHAMBER_OFF = "Switch the chamber off at its own switch now."
REMOVE_SUPPLY = (
    "Remove the supply from the unit now, then look at the generator and the push-to-talk (PTT) line."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeState:
    """How making the bench safe went: ``problems`` names what could not be confirmed; empty when all was.

    ``off`` names what was read back as released or off, for the last line, ``said`` what a person says is. ``touched`` is False where
    nothing was sent, so that nothing is known and nothing is ours to answer for. ``cables_moved``: a person was asked to move cables and
    has not confirmed that they are back.
    """

    problems: tuple[str, ...] = ()
    touched: bool = True
    cables_moved: bool = False
    off: tuple[str, ...] = ()
    said: tuple[str, ...] = ()
    chamber: str = ""
    """What the air of a chamber read when it was stopped, in words; empty without one."""

    feels: Feels = ""
    """What whoever opens its door must know of it; where nobody could read its air, by what it was set to."""

    @property
    def first(self) -> tuple[str, ...]:
        """What a person does first about what could not be confirmed: of a chamber alone its own switch, else the unit's supply too."""
        runs = [one for one in self.problems if one.startswith(CHAMBER_RUNS)]
        others = [REMOVE_SUPPLY] if len(runs) < len(self.problems) or not runs else []
        return (*others, *[SWITCH_CHAMBER_OFF] * bool(runs))

    @property
    def confirmed(self) -> bool:
        """Say whether all that could be on was read back as off, or a person says so: of a bench that was left, the supply too."""
        return self.touched and not self.problems

    def last_line(self) -> str:
        """Return the words a person must read if the bench could not be confirmed safe."""
        if self.problems:
            told = "; ".join(text.rstrip(".") for text in self.problems)
            first = " ".join(filter(None, (*self.first, self.chamber)))
            return f"THE BENCH COULD NOT BE CONFIRMED SAFE: {told}. {first}"
        if not self.touched:
            return "The bench was left as it stood: nothing was sent to it."
        known = [f"{', '.join(self.off)}, {'each ' * (len(self.off) > 1)}read back"] if self.off else []
        known += [f"{', '.join(self.said)}, by the word of the person at the bench"] if self.said else []
        safe = f"The bench is safe: {'; '.join(known) or 'nothing on it can transmit or be switched off'}."
        return " ".join(filter(None, (safe, self.chamber, CABLES_MOVED if self.cables_moved else "")))
