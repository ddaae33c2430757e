"""Names too long for a table's column stand below it, whole, so that they can be copied on a screen of 80 columns."""

from __future__ import annotations

from rich.text import Text

from sequencer.problems import printable

_MOST = 16
"""Characters of a name that a column takes."""


class LongNames:
    """Numbers long names in the order in which they are first shown; short ones stand as they are."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def shown(self, name: str) -> Text:
        """Return a name as a column takes it."""
        if len(name) <= _MOST:
            return Text(printable(name))
        return Text(f"[{self._numbers.setdefault(name, len(self._numbers) + 1)}]")

    def lines(self) -> list[Text]:
        """Return what the numbers stand for, a line each."""
        return [
            Text(f"[{number}] {printable(name)}", no_wrap=True, overflow="ignore", style="dim")
            for name, number in self._numbers.items()
        ]
