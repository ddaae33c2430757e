"""A radio's exported channel list: which columns hold number, frequency, name and mode, and what stands on each line.

Columns, unit, separator and decimal sign are found by the names of the columns and by what stands in them, unless they are stated. What
cannot be understood is a complaint with its line, never a guess that goes unseen.
"""

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Literal

from sequencer.files.fields import FileModel
from sequencer.frozen import dataclass
from sequencer.inputs.lists.list_numbers import FACTORS, NumberStyle, is_plausible, style_of
from sequencer.inputs.lists.list_text import (
    SEPARATORS,
    ListText,
    Row,
    at_line,
    is_separator_line,
    read_list_text,
)
from sequencer.problems import Complaint, FileProblems, did_you_mean, listed

Role = Literal["channel", "frequency", "transmit", "name", "mode"]
ROLES: tuple[Role, ...] = ("channel", "frequency", "transmit", "name", "mode")
NEEDED: tuple[Role, ...] = ("channel", "frequency")


IN_SEQUENCE = "columns: {{{role}: {name}}}"
ON_COMMAND_LINE = "--column {role}={name}"
"""How a column is stated, with what it holds and what it is called."""


class MemoryColumns(FileModel):
    """What the export calls its columns, where their names do not tell."""

    channel: str | None = None
    """Column with the channel's number; without it found by its name (channel, ch, no, memory, ...)."""
    frequency: str | None = None
    """Column with the frequency that is received; without it found by its name (frequency, rx, ...)."""
    transmit: str | None = None
    """Column with the frequency that is transmitted, where the list has one of its own."""
    name: str | None = None
    """Column with the channel's name."""
    mode: str | None = None
    """Column with the mode."""
    unit: Literal["Hz", "kHz", "MHz"] | None = None
    """What the numbers in the frequency columns are in; without it told by the column's name, the cells, or the numbers' size."""
    separator: Literal[",", ";", "tab"] | None = None
    """What stands between the columns; without it told by the first line."""


_FREQUENCY = ("frequency", "freq", "carrier")
_NUMBER = ("no", "nr", "number", "num")
_CHANNEL = ("channel", "ch", "chan")
_MEMORY = ("memory", "mem", "slot", "position")


def _both(firsts: Sequence[str], seconds: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    return tuple((first, second) for first in firsts for second in seconds)


_KNOWN: Mapping[Role, tuple[tuple[str, ...], ...]] = {
    "channel": (
        *((one,) for one in _CHANNEL),
        *_both(_CHANNEL, _NUMBER),
        *((one,) for one in _NUMBER),
        *((one,) for one in _MEMORY),
        *_both(_MEMORY, (*_NUMBER, *_CHANNEL)),
        ("#",),
    ),
    "frequency": (
        *((one,) for one in _FREQUENCY),
        *_both(_CHANNEL, _FREQUENCY),
        *_both(("rx", "receive", "rcv"), _FREQUENCY),
        *((f"rx{one}",) for one in _FREQUENCY),
        ("rx",),
        ("receive",),
    ),
    "transmit": (
        *_both(("tx", "transmit", "xmit"), _FREQUENCY),
        *((f"tx{one}",) for one in _FREQUENCY),
        ("tx",),
        ("transmit",),
    ),
    "name": (("name",), *_both((*_CHANNEL, *_MEMORY), ("name",)), ("label",), ("alias",), ("tag",)),
    "mode": (
        ("mode",),
        *_both((*_CHANNEL, "operating", "modulation"), ("mode",)),
        ("modulation",),
        ("emission",),
    ),
}
"""The names by which a column is known, likeliest first; terms of the trade (common practice, no source)."""
_OFFSET = frozenset({"offset", "shift", "duplex", "split"})
_UNITS = {one.lower(): one for one in FACTORS}
_MEANT: Mapping[Role, str] = {
    "channel": "the channel's number",
    "frequency": "the frequency",
    "transmit": "the frequency transmitted",
    "name": "the name",
    "mode": "the mode",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry of a radio's channel list, and the line of the export it stands on. ``frequency_hz`` is None where none is stored.

    ``row`` is its place among the rows of the text.
    """

    channel: int
    frequency_hz: float | None
    line: int
    row: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelList:
    """A list as it was read. ``columns`` says where each role stands, ``offsets`` where a distance of receive and transmit does.

    ``styles`` holds how the frequency columns are written.
    """

    text: ListText
    header: tuple[str, ...]
    columns: Mapping[Role, int]
    offsets: tuple[int, ...]
    styles: Mapping[Role, NumberStyle]
    entries: tuple[Entry, ...]

    def value(self, entry: Entry, role: Role) -> str:
        """Return what an entry holds in a column; nothing where the row ends before it."""
        values = self.text.rows[entry.row].values
        at = self.columns[role]
        return values[at] if at < len(values) else ""


def read_channel_list(path: Path, columns: MemoryColumns, *, stated: str = IN_SEQUENCE) -> "ChannelList":
    """Return the list in the file; a channel may hold no frequency. ``stated`` is how a hint says what a column is.

    Raises FileProblems with every line that cannot be understood.
    """
    text = read_list_text(
        path,
        None if columns.separator is None else SEPARATORS[columns.separator],
        kind="a list as the radio's software exports it (CSV)",
    )
    rows = [
        (at, row)
        for at, row in enumerate(text.rows)
        if not row.is_blank and not (at == 0 and is_separator_line(row))
    ]
    if not rows:
        raise FileProblems(
            [at_line(path, 1, "the file is empty", allowed="a line of column names, then entries")]
        )
    header = rows[0][1].values
    found, complaints = _columns(path, rows[0][1].line, header, columns, stated)
    if complaints:
        raise FileProblems(complaints)
    body = rows[1:]
    complaints = [wrong for _, row in body for wrong in _width_complaints(path, row, header, found, text)]
    if complaints:
        raise FileProblems(complaints)
    styles = _styles(path, header, found, body, columns.unit)
    _refuse_mixed_units(path, header, found, body, styles, columns.unit, stated)
    entries, complaints = _entries(path, body, found, styles["frequency"])
    complaints += _transmit_complaints(path, body, found, styles)
    if complaints:
        raise FileProblems(sorted(complaints, key=lambda one: one.line))
    offsets = tuple(at for at, name in enumerate(header) if _OFFSET & set(_words(name)))
    return ChannelList(
        text=text, header=header, columns=found, offsets=offsets, styles=styles, entries=entries
    )


def _words(name: str) -> tuple[str, ...]:
    """Return the words of a column's name, without its unit: `RxFreq [kHz]` is rx freq."""
    if name.strip() == "#":
        return ("#",)
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])(?!Hz)", " ", name)
    return tuple(word for word in re.findall(r"[^\W_]+", apart.casefold()) if word not in _UNITS)


def _columns(
    path: Path, line: int, header: Sequence[str], asked: MemoryColumns, stated: str
) -> tuple[dict[Role, int], list[Complaint]]:
    found: dict[Role, int] = {}
    complaints: list[Complaint] = []
    for role in ROLES:
        name = getattr(asked, role)
        named = (
            [at for at, one in enumerate(header) if one == name] if name is not None else _known(header, role)
        )
        if len(named) == 1:
            found[role] = named[0]
        elif named:
            twice = f"column '{header[named[0]]}' stands there twice"
            complaints.append(at_line(path, line, twice, allowed="each name once"))
        elif name is not None or role in NEEDED:
            complaints.append(_missing(path, line, header, role, name, stated))
    return found, complaints


def _known(header: Sequence[str], role: Role) -> list[int]:
    """Return the columns that go by the likeliest of the names a role is known by."""
    words = [_words(name) for name in header]
    for known in _KNOWN[role]:
        if found := [at for at, one in enumerate(words) if one == known]:
            return found
    return []


def _missing(
    path: Path, line: int, header: Sequence[str], role: Role, name: str | None, stated: str
) -> Complaint:
    other = next((one for one, sign in SEPARATORS.items() if len(header) == 1 and sign in header[0]), None)
    if other is not None:
        hint = "is the separator another? " + stated.format(role="separator", name=f"'{other}'")
    elif name is not None:
        hint = did_you_mean(name, header)
    else:
        hint = "name the column: " + stated.format(role=role, name="..." if stated == IN_SEQUENCE else "NAME")
    message = (
        f"column '{name}' is missing"
        if name is not None
        else f"no column's name says that it holds {_MEANT[role]}"
    )
    return at_line(path, line, message, allowed=f"it has {listed(header)}", hint=hint)


def _width_complaints(
    path: Path, row: Row, header: Sequence[str], columns: Mapping[Role, int], text: ListText
) -> Iterator[Complaint]:
    values = row.values
    beyond = any(values[len(header) :])
    if beyond or len(values) <= max(columns[role] for role in NEEDED):
        # 27,205 between commas is two columns, and its first half a frequency that nobody wrote
        hint = (
            "a decimal comma between commas? it belongs in quotes" if beyond and text.separator == "," else ""
        )
        allowed = f"{len(header)} columns, as the first line has"
        yield at_line(path, row.line, f"{len(values)} columns", allowed=allowed, hint=hint)


def _styles(
    path: Path,
    header: Sequence[str],
    columns: Mapping[Role, int],
    body: Sequence[tuple[int, Row]],
    unit: str | None,
) -> dict[Role, NumberStyle]:
    """Return how the frequency columns are written. Raises FileProblems where decimal signs contradict each other."""
    styles: dict[Role, NumberStyle] = {}
    for role in ("frequency", "transmit"):
        if role not in columns:
            continue
        at = columns[role]
        told = unit or unit_in(header[at])
        cells = [row.values[at] for _, row in body if at < len(row.values) and row.values[at]]
        style = style_of(cells, told)
        if style is None:
            signs = Counter("," if "," in one else "." for one in cells if "," in one or "." in one)
            rare = min(signs, key=lambda sign: signs[sign])
            line = next(row.line for _, row in body if at < len(row.values) and rare in row.values[at])
            message = f"column '{header[at]}' has decimal points and decimal commas"
            raise FileProblems([at_line(path, line, message, allowed="one decimal sign in the whole column")])
        styles[role] = style
    return styles


def _refuse_mixed_units(
    path: Path,
    header: Sequence[str],
    columns: Mapping[Role, int],
    body: Sequence[tuple[int, Row]],
    styles: Mapping[Role, NumberStyle],
    unit: str | None,
    stated: str,
) -> None:
    """Raise FileProblems with each number that cannot be in the unit which its column's other numbers tell."""
    complaints: list[Complaint] = []
    for role, style in styles.items():
        at = columns[role]
        if unit or unit_in(header[at]):
            continue
        for _, row in body:
            text = row.values[at] if at < len(row.values) else ""
            hz = style.read_hz(text) if text else None
            if hz is not None and not is_plausible(text, hz):
                message = f"'{text[:40]}' cannot be in {style.unit}, as the other numbers of column '{header[at]}' seem to be"
                hint = (
                    f"write it in the same unit, or state the unit: {stated.format(role='unit', name='kHz')}"
                )
                allowed = "100 kHz to 3 GHz in one unit"
                complaints.append(at_line(path, row.line, message, allowed=allowed, hint=hint))
    if complaints:
        raise FileProblems(complaints)


def unit_in(name: str) -> str | None:
    """Return the unit that stands in a column's name, if there is one."""
    return next((_UNITS[word] for word in re.findall(r"[^\W_]+", name.casefold()) if word in _UNITS), None)


def _entries(
    path: Path,
    body: Sequence[tuple[int, Row]],
    columns: Mapping[Role, int],
    style: NumberStyle,
) -> "tuple[tuple[Entry, ...], list[Complaint]]":
    entries: list[Entry] = []
    complaints: list[Complaint] = []
    for at, row in body:
        channel, frequency = row.values[columns["channel"]], row.values[columns["frequency"]]
        hz = style.read_hz(frequency) if frequency else None
        if not (channel.isascii() and channel.isdigit() and len(channel) <= 5):
            complaints.append(
                at_line(path, row.line, f"'{channel[:40]}' is not a channel number", allowed="a whole number")
            )
        elif hz is None and frequency:
            complaints.append(_no_frequency(path, row.line, frequency, style))
        else:
            stored = None if hz is None else float(hz)
            entries.append(Entry(channel=int(channel), frequency_hz=stored, line=row.line, row=at))
    return tuple(entries), complaints


def _transmit_complaints(
    path: Path,
    body: Sequence[tuple[int, Row]],
    columns: Mapping[Role, int],
    styles: Mapping[Role, NumberStyle],
) -> list[Complaint]:
    if "transmit" not in columns:
        return []
    at, style = columns["transmit"], styles["transmit"]
    cells = [(row.line, row.values[at]) for _, row in body if at < len(row.values)]
    return [
        _no_frequency(path, line, text, style)
        for line, text in cells
        if text and text.strip("0.,") and style.read_hz(text) is None
    ]


def _no_frequency(path: Path, line: int, text: str, style: NumberStyle) -> Complaint:
    allowed = f"a number in {style.unit}, such as 27{style.decimal}185"
    return at_line(path, line, f"'{text[:40]}' is not a frequency", allowed=allowed)
