"""Block letters: what must be read from two metres. A pixel is two columns by one row where there is room, about square on a terminal."""

from __future__ import annotations

_FONT = {
    "A": " ### |#   #|#   #|#####|#   #|#   #|#   #",
    "B": "#### |#   #|#   #|#### |#   #|#   #|#### ",
    "C": " ####|#    |#    |#    |#    |#    | ####",
    "D": "#### |#   #|#   #|#   #|#   #|#   #|#### ",
    "E": "#####|#    |#    |#### |#    |#    |#####",
    "F": "#####|#    |#    |#### |#    |#    |#    ",
    "G": " ####|#    |#    |#  ##|#   #|#   #| ### ",
    "H": "#   #|#   #|#   #|#####|#   #|#   #|#   #",
    "I": "#####|  #  |  #  |  #  |  #  |  #  |#####",
    "K": "#   #|#  # |# #  |##   |# #  |#  # |#   #",
    "L": "#    |#    |#    |#    |#    |#    |#####",
    "M": "#   #|## ##|# # #|# # #|#   #|#   #|#   #",
    "N": "#   #|##  #|# # #|# # #|#  ##|#   #|#   #",
    "O": " ### |#   #|#   #|#   #|#   #|#   #| ### ",
    "P": "#### |#   #|#   #|#### |#    |#    |#    ",
    "R": "#### |#   #|#   #|#### |# #  |#  # |#   #",
    "S": " ####|#    |#    | ### |    #|    #|#### ",
    "T": "#####|  #  |  #  |  #  |  #  |  #  |  #  ",
    "U": "#   #|#   #|#   #|#   #|#   #|#   #| ### ",
    "W": "#   #|#   #|#   #|# # #|# # #|## ##|#   #",
    " ": "     |     |     |     |     |     |     ",
}
HEIGHT = 7
"""Rows of a letter."""
SMALL_HEIGHT = 4
"""Rows of a small one, which puts two pixels into a character."""
_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
_HALVES_ASCII = {(False, False): " ", (True, False): "'", (False, True): ".", (True, True): "#"}


def width_of(word: str, *, scale: int = 1) -> int:
    """Return how many columns a word takes."""
    return (6 * len(word) - 1) * scale


def large(word: str, width: int, *, full: str = "█", cut_out: bool = False, twice: bool = False) -> list[str]:
    """Return a word in seven rows, as wide as fits into ``width``; empty where not even the narrowest does.

    ``cut_out`` fills what is round the letters in place of them, so that two words differ in shape too. ``twice`` draws it in fourteen
    rows and twice as wide.
    """
    scales = (4,) if twice else (2, 1)
    scale = next((one for one in scales if width_of(word, scale=one) <= width), 0)
    if not scale:
        return []
    rows = ["".join(one * scale for one in row) for row in _rows(word) for _ in range(1 + twice)]
    if not cut_out:
        return [row.replace("#", full).rstrip() for row in rows]
    edge = min(2, (width - len(rows[0])) // 2)
    swapped = str.maketrans({"#": " ", " ": full})
    bar = full * (len(rows[0]) + 2 * edge)
    return [bar, *(full * edge + row.translate(swapped) + full * edge for row in rows), bar]


def small(word: str, width: int, *, ascii_only: bool = False) -> list[str]:
    """Return a word in four rows; the word itself where there is no room for that."""
    if width_of(word) > width:
        return [word]
    rows = [*_rows(word), " " * width_of(word)]
    halves = _HALVES_ASCII if ascii_only else _HALVES
    return [
        "".join(
            halves[(upper == "#", lower == "#")] for upper, lower in zip(rows[at], rows[at + 1], strict=True)
        ).rstrip()
        for at in range(0, HEIGHT, 2)
    ]


def _rows(word: str) -> list[str]:
    letters = [_FONT[one].split("|") for one in word]
    return [" ".join(letter[row] for letter in letters) for row in range(HEIGHT)]
