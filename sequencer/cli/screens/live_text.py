"""What the live screen says of a reading: block letters, the bar with its band, and words; no terminal in it.

Everything is said by words and shapes, so that it is whole without colour, from 60 columns on.
"""

from __future__ import annotations

import math
import textwrap

from sequencer.checks.live import LiveStart, LiveView
from sequencer.problems import printable
from sequencer.units.format import time_text, unit_of_difference

LEAST_WIDTH = 60
LEAST_HEIGHT = 16
TALL = 7
KEYS = "Enter keeps   s skips   b goes back   ? explains   t tone"
TURNS = "Left, Right turn the simulated trimmer, Up, Down by more."
_DOTS = {
    "0": "01110 10001 10011 10101 11001 10001 01110",
    "1": "00100 01100 00100 00100 00100 00100 01110",
    "2": "01110 10001 00001 00110 01000 10000 11111",
    "3": "11110 00001 00001 01110 00001 00001 11110",
    "4": "00010 00110 01010 10010 11111 00010 00010",
    "5": "11111 10000 11110 00001 00001 10001 01110",
    "6": "01110 10000 10000 11110 10001 10001 01110",
    "7": "11111 00001 00010 00100 01000 01000 01000",
    "8": "01110 10001 10001 01110 10001 10001 01110",
    "9": "01110 10001 10001 01111 00001 00001 01110",
    "-": "00000 00000 00000 11111 00000 00000 00000",
    ".": "0 0 0 0 0 0 1",
    " ": "000 000 000 000 000 000 000",
}
_MOST_DECIMALS = 4
_BESIDE = 2.0  # how many bands are shown to either side of the band
_MOVED = 1e-9


def decimals_of(view: LiveView) -> int:
    """Return how many decimals show a twentieth of the band; of an extreme, hundredths of a small figure and none of a large one."""
    if view.low is not None and view.high is not None and view.high > view.low:
        fine = (view.high - view.low) / 20.0
    else:
        fine = 5e-3 * max(abs(view.best or 0.0), 1e-2)
    return min(_MOST_DECIMALS, max(0, math.ceil(-math.log10(fine) - 1e-9)))


def figure_text(view: LiveView, figure: float) -> str:
    """Return a figure as it stands in block letters, without its unit."""
    text = f"{figure:.{decimals_of(view)}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def block_letters(text: str, width: int) -> list[str]:
    """Return ``text`` seven lines high, twice as wide where ``width`` allows; a character that has no letter is left out."""
    letters = [_DOTS[one].split() for one in text if one in _DOTS]
    lines = ["0".join(letter[row] for letter in letters) for row in range(TALL)]
    wide = 2 if lines and 2 * len(lines[0]) <= width else 1
    return ["".join(("█" if dot == "1" else " ") * wide for dot in line).rstrip() for line in lines]


def bar(view: LiveView, width: int, *, seen: tuple[float, float] | None = None) -> str:
    """Return the bar: the band in brackets, the value as a mark; at an end ``<`` or ``>`` where it lies beyond.

    Of an extreme it reaches over what was ``seen``, and ``*`` marks the best.
    """
    if view.low is not None and view.high is not None:
        beside = _BESIDE * (view.high - view.low)
        low, high = view.low - beside, view.high + beside
    elif seen is not None and seen[1] > seen[0]:
        low, high = seen
    else:
        return "·" * width
    cells = ["·"] * width

    def at(figure: float) -> int:
        return min(width - 1, max(0, round((figure - low) / (high - low) * (width - 1))))

    if view.low is not None and view.high is not None:
        for cell in range(at(view.low), at(view.high) + 1):
            cells[cell] = "="
        cells[at(view.low)], cells[at(view.high)] = "[", "]"
    elif view.best is not None:
        cells[at(view.best)] = "*"
    if view.value is not None:
        cells[at(view.value)] = (
            "<" if view.value < low - _MOVED else ">" if view.value > high + _MOVED else "█"
        )
    return "".join(cells)


def where_to(view: LiveView) -> str:
    """Return in words which way and how far."""
    if view.value is None:
        return view.note or "nothing to read"
    unit = unit_of_difference(printable(view.unit))
    if view.in_band:
        return "IN THE BAND"
    turned = {"on": "turn on", "back": "turn the other way", "": "turn a little"}[view.way]
    if view.to_go is not None:
        low = view.to_go > 0
        return f"TOO {'LOW' if low else 'HIGH'}: {figure_text(view, abs(view.to_go))} {unit} to go, {turned}"
    if view.past_best > 0.0:
        return f"past the best, {figure_text(view, view.past_best)} {unit} back"
    peak = "highest" if view.aim == "maximum" else "lowest"
    return f"{peak} so far, {turned}" if view.way != "back" else f"at the {peak} so far"


def moving(view: LiveView) -> str:
    """Return in words whether the value stands, and the best so far."""
    if view.value is None:
        return ""
    stands = "steady" if view.steady else "moving"
    if view.best is None:
        return stands
    return f"{stands}; best so far {figure_text(view, view.best)} {printable(view.unit)}"


def key_text(view: LiveView) -> str:
    """Return in words what push-to-talk does, with the time left."""
    if view.resting_s > 0.0:
        return f"PTT released: resting, {time_text(view.resting_s)} until it transmits again"
    if view.key_left_s is not None:
        return f"THE UNIT IS TRANSMITTING: {time_text(max(0.0, view.key_left_s))} left before it must rest"
    return "PTT released"


def target_text(view: LiveView) -> str:
    """Return in words where the value belongs."""
    if view.low is not None and view.high is not None:
        low, high = (figure_text(view, one) for one in (view.low, view.high))
        return f"target {low} to {high} {printable(view.unit)}"
    return "as high as it goes" if view.aim == "maximum" else "as low as it goes"


def plain_line(view: LiveView) -> str:
    """Return a reading as one line, for where no screen can be drawn."""
    value = "—" if view.value is None else f"{figure_text(view, view.value)} {printable(view.unit)}"
    said = (
        f"{printable(view.preset)} {value}",
        where_to(view),
        moving(view),
        key_text(view),
        *_explained(view),
    )
    return "; ".join(part for part in said if part)


def start_lines(start: LiveStart, width: int) -> list[str]:
    """Return what is shown before anything is turned: what, where, the caution, and how to begin."""
    title = f"{printable(start.preset)}: {printable(start.quantity)}" + (
        f"   ({start.place})" if start.place else ""
    )
    lines = [title, "", *textwrap.wrap(printable(start.text), width)]
    if start.caution:
        lines += ["", *textwrap.wrap(f"CAUTION: {start.caution}", width)]
    begins = "Enter begins; the unit may transmit from then on." if start.transmits else "Enter begins."
    return [*lines, "", *textwrap.wrap(f"{begins} s skips it, Ctrl-C ends the run safely.", width)]


def fitted(lines: list[str], height: int) -> list[str]:
    """Return lines without as many of the empty ones, from the last on, as it takes to stand on ``height`` of them."""
    kept = list(lines)
    for at in range(len(lines) - 1, -1, -1):
        if len(kept) <= height:
            break
        if not lines[at]:
            del kept[at]
    return kept


def view_lines(
    start: LiveStart,
    view: LiveView,
    width: int,
    *,
    height: int = 1000,
    seen: tuple[float, float] | None = None,
) -> list[str]:
    """Return the whole screen for a reading, no line longer than ``width``, and no more of them than ``height``.

    From 60 columns and 16 lines on nothing is left out. Of a smaller one, as a window that was made so while the unit transmits, the block
    letters go first; the value, which way, what push-to-talk does and the keys stay to the last.
    """
    lines: list[str] = []
    for left_out in range(_LEAVINGS + 1):
        lines = fitted(_view_lines(start, view, width, seen, left_out), height)
        if len(lines) <= height and max(map(len, lines)) <= width:
            break
    return lines[:height]


_LEAVINGS = 3


def _view_lines(
    start: LiveStart, view: LiveView, width: int, seen: tuple[float, float] | None, left_out: int
) -> list[str]:
    """Return the screen: ``left_out`` 1 without block letters, 2 without what helps only, 3 with what it takes to be safe alone."""
    place = f"   ({start.place})" if start.place else ""
    shown = "--" if view.value is None else figure_text(view, view.value)
    unit = printable(view.unit)
    title = f"{printable(view.preset)}: {printable(view.quantity)}, {unit}{place}"
    if left_out >= 1:
        title, letters = f"{printable(view.preset)}: {shown} {unit}{place}", []
    else:
        letters = ["", *block_letters(shown, width), ""]
    where, key = textwrap.wrap(where_to(view), width, max_lines=4), textwrap.wrap(key_text(view), width)
    keys = _wrapped_keys(KEYS, width)
    if left_out >= 3:
        return [*textwrap.wrap(title, width, max_lines=1), *key, *where, *keys]
    away = textwrap.wrap(f"Without a key it ends by itself in {time_text(view.away_in_s)}.", width)
    explained = [line for text in _explained(view) for line in textwrap.wrap(text, width)]
    turns = _wrapped_keys(TURNS, width) if start.turn_by is not None else []
    if left_out >= 2:
        return [*textwrap.wrap(title, width), bar(view, width, seen=seen), *where, *key, *keys, *away]
    return [
        *textwrap.wrap(title, width, drop_whitespace=False),
        *letters,
        bar(view, width, seen=seen),
        *textwrap.wrap(target_text(view), width),
        "",
        *where,
        *(textwrap.wrap(moving(view), width) or [""]),
        "",
        *key,
        *explained,
        "",
        *keys,
        *turns,
        *away,
    ]


def _wrapped_keys(text: str, width: int) -> list[str]:
    """Return the keys in lines of ``width``, none of them parted from what it does."""
    lines: list[str] = []
    for one in text.split("   "):
        if lines and len(lines[-1]) + 3 + len(one) <= width:
            lines[-1] += f"   {one}"
        else:
            lines += textwrap.wrap(one, width)
    return lines


def _explained(view: LiveView) -> tuple[str, ...]:
    return (printable(view.note),) if view.note and view.value is not None else ()
