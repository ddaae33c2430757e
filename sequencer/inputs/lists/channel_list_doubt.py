"""What a person must say before a plan goes into a list: columns of frequencies that nobody named, and a list of another band."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal

from sequencer.inputs.lists.channel_list import ON_COMMAND_LINE, ChannelList, Entry, unit_in
from sequencer.inputs.lists.list_numbers import FACTORS, NumberStyle, style_of
from sequencer.inputs.lists.list_text import at_line
from sequencer.problems import Complaint, FileProblems, did_you_mean, listed

_NEAR = 0.1
"""Receive and transmit of one channel lie this near each other, as a share of the frequency, where one antenna serves both
(common practice, no source: 0.6 MHz at 146 MHz, 5 to 10 MHz at 450 MHz)."""
_TONES = ("ctcss", "dcs", "tone", "tsql")


def refuse_doubtful_columns(found: ChannelList, left: Sequence[str]) -> None:
    """Raise FileProblems for columns whose cells are frequencies near the channels' own and that no role names.

    ``left`` are columns that a person said are to stay as they are.
    """
    line = next(row.line for row in found.text.rows if row.values == found.header)
    complaints = [
        at_line(
            found.text.path,
            line,
            f"no column '{name}'",
            allowed=listed(found.header),
            hint=did_you_mean(name, found.header),
        )
        for name in left
        if name not in found.header
    ]
    for at, name in enumerate(found.header):
        if at not in found.columns.values() and name not in left and _holds_frequencies(found, at):
            complaints.append(_doubt(found, line, name))
    if complaints:
        raise FileProblems(complaints)


def _holds_frequencies(found: ChannelList, at: int) -> bool:
    """Return whether half or more of the numbers in a column are frequencies near their channel's, in any unit."""
    name = found.header[at].casefold()
    if any(tone in name for tone in _TONES):
        return False
    cells = [
        (entry.frequency_hz, values[at])
        for entry in found.entries
        if entry.frequency_hz is not None and at < len(values := found.text.rows[entry.row].values)
    ]
    unit = unit_in(found.header[at])
    style = style_of([text for _, text in cells if text], unit) or found.styles["frequency"]
    styles = [replace(style, unit=one) for one in ([unit] if unit else FACTORS)]
    numbers = [(hz, text) for hz, text in cells if text and style.read_hz(text) is not None]
    near = [text for hz, text in numbers if any(_is_near(one, text, hz) for one in styles)]
    return bool(near) and 2 * len(near) >= len(numbers)


def _is_near(style: NumberStyle, text: str, frequency_hz: float) -> bool:
    """Return whether a cell is a frequency near ``frequency_hz``; a whole number of MHz is a power or a step as well."""
    hz = style.read_hz(text)
    return hz is not None and hz % 1_000_000 != 0 and abs(float(hz) - frequency_hz) <= _NEAR * frequency_hz


def _doubt(found: ChannelList, line: int, name: str) -> Complaint:
    ways = [f"{_option('other', name)} leaves it as it is"]
    if "transmit" not in found.columns:
        ways.insert(0, f"{_option('transmit', name)} moves it with the frequency")
    received = found.header[found.columns["frequency"]]
    return at_line(
        found.text.path,
        line,
        f"column '{name}' holds frequencies near the channels' own, and would keep the old ones beside '{received}'",
        allowed="each column with frequencies has its meaning",
        hint="say what it is: " + "; ".join(ways),
    )


def _option(role: str, name: str) -> str:
    return ON_COMMAND_LINE.format(role=role, name=f'"{name}"' if " " in name else name)


def is_far(before_hz: Decimal | float, due_hz: Decimal | float) -> bool:
    """Return whether an entry would move so far that the list may be another radio's: by more than a tenth of its frequency."""
    return abs(float(before_hz) - float(due_hz)) > _NEAR * float(before_hz)


def far_complaints(found: ChannelList, far: Sequence[tuple[Entry, float]]) -> Iterator[Complaint]:
    """Yield a complaint of the first entry that would move far, and say how many there are."""
    for entry, due_hz in far[:1]:
        assert entry.frequency_hz is not None
        yield at_line(
            found.text.path,
            entry.line,
            f"channel {entry.channel} would move from {entry.frequency_hz / 1e6:.5f} MHz to {due_hz / 1e6:.5f} MHz, "
            f"{len(far)} of {len(found.entries)} entries as far; is this another radio's list? nothing was written",
            allowed="entries within a tenth of the plan's frequency",
            hint="--far writes it all the same",
        )
