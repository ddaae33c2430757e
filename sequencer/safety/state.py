"""How a bench was left."""

from __future__ import annotations

from sequencer.frozen import dataclass

CABLES_MOVED = "CABLES WERE MOVED BY HAND and not confirmed back: put them back before anything else is run."


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

    @property
    def confirmed(self) -> bool:
        """Say whether all that could be on was read back as off, or a person says so: of a bench that was left, the supply too."""
        return self.touched and not self.problems

    def last_line(self) -> str:
        """Return the words a person must read if the bench could not be confirmed safe."""
        if self.problems:
            return (
                "THE BENCH COULD NOT BE CONFIRMED SAFE: "
                + "; ".join(text.rstrip(".") for text in self.problems)
                + ". Remove the supply from the unit now, then look at the generator and the push-to-talk (PTT) line."
            )
        if not self.touched:
            return "The bench was left as it stood: nothing was sent to it."
        known = [f"{', '.join(self.off)}, {'each ' * (len(self.off) > 1)}read back"] if self.off else []
        known += [f"{', '.join(self.said)}, by the word of the person at the bench"] if self.said else []
        safe = f"The bench is safe: {'; '.join(known) or 'nothing on it can transmit or be switched off'}."
        return " ".join(filter(None, (safe, self.chamber, CABLES_MOVED if self.cables_moved else "")))
