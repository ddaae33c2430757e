"""What stands on a terminal's screen, worked out of what was written to it: so much of ECMA-48 as Textual and Rich write.

Cursor position (CUP), moves, line feed and carriage return, erase in display and in line, the alternate screen; colours and modes are
passed over. Wide characters are counted as one.
"""

from __future__ import annotations

import re

_PIECE = re.compile(
    r"\x1b\[(?P<private>[<=>?]?)(?P<numbers>[0-9;]*)[ $]?(?P<command>[@-~])"
    r"|\x1b[P\]_^].*?(?:\x1b\\|\x07)|\x1b[()][0-9A-Za-z]|\x1b[=>78cDEHM]|(?P<text>[^\x1b])",
    re.DOTALL,
)


class TerminalScreen:
    """A screen of so many lines and columns. `feed` takes what was written; `lines` is what stands there."""

    def __init__(self, *, lines: int, columns: int) -> None:
        self._height, self._width = lines, columns
        self._held = ""
        self._row = self._column = 0
        self.changes = 0
        self._clear()

    @property
    def lines(self) -> list[str]:
        """The lines, without what is empty at their ends."""
        return ["".join(row).rstrip() for row in self._cells]

    @property
    def text(self) -> str:
        """The whole screen."""
        return "\n".join(self.lines)

    def resize(self, *, lines: int, columns: int) -> None:
        """Have another size; what stood there is gone, as it is redrawn."""
        self._height, self._width = lines, columns
        self._row = self._column = 0
        self._clear()

    def feed(self, written: str) -> None:
        """Take what was written; what is cut off in the middle of a sequence waits for the rest."""
        text, at = self._held + written, 0
        for piece in _PIECE.finditer(text):
            if piece.start() != at:
                break
            at = piece.end()
            if piece["text"] is not None:
                self._put(piece["text"])
            elif piece["command"] is not None:
                self._do(piece["command"], piece["private"], piece["numbers"])
        self._held = text[at:]

    def _clear(self) -> None:
        self._cells = [[" "] * self._width for _ in range(self._height)]

    def _put(self, one: str) -> None:
        if one == "\r":
            self._column = 0
        elif one == "\n":
            self._down()
        elif one == "\b":
            self._column = max(0, self._column - 1)
        elif one >= " ":
            if self._column >= self._width:
                self._column = 0
                self._down()
            self._cells[self._row][self._column] = one
            self._column += 1
            self.changes += 1

    def _down(self) -> None:
        if self._row < self._height - 1:
            self._row += 1
        else:
            self._cells = [*self._cells[1:], [" "] * self._width]

    def _do(self, command: str, private: str, numbers: str) -> None:
        given = [int(one) if one else 0 for one in numbers.split(";")]
        first = max(1, given[0])
        if private:
            if command in "hl" and 1049 in given:
                self._clear()
            return
        if command in "Hf":
            self._row = min(self._height, first) - 1
            self._column = min(self._width, max(1, given[1] if len(given) > 1 else 1)) - 1
        elif command == "A":
            self._row = max(0, self._row - first)
        elif command == "B":
            self._row = min(self._height - 1, self._row + first)
        elif command == "C":
            self._column = min(self._width - 1, self._column + first)
        elif command == "D":
            self._column = max(0, self._column - first)
        elif command == "G":
            self._column = min(self._width, first) - 1
        elif command == "J":
            self._erase_display(given[0])
        elif command == "K":
            self._erase_line(given[0])

    def _erase_display(self, how: int) -> None:
        if how >= 2:
            self._clear()
            return
        self._erase_line(how)
        rows = range(self._row + 1, self._height) if how == 0 else range(self._row)
        for row in rows:
            self._cells[row] = [" "] * self._width

    def _erase_line(self, how: int) -> None:
        row = self._cells[self._row]
        from_column = 0 if how >= 1 else self._column
        to_column = self._width if how != 1 else self._column + 1
        for column in range(from_column, min(to_column, self._width)):
            row[column] = " "
