"""Put a channel plan into a radio's exported list: frequencies, names and modes; everything else stays byte for byte."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal

from sequencer.frozen import dataclass
from sequencer.inputs.channel_plan import SAME_HZ, ChannelPlan
from sequencer.inputs.lists.channel_list import ChannelList, Entry, Role
from sequencer.inputs.lists.channel_list_doubt import is_far
from sequencer.inputs.lists.list_text import ListText, Row, at_line
from sequencer.problems import FileProblems, about_file


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One cell of an entry: its column's name, what stood there, and what stands there now."""

    column: str
    was: str
    becomes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedEntry:
    """An entry that is not as it was. ``like`` is the channel of which an added one has all other columns, None for one that was there."""

    channel: int
    changes: tuple[Change, ...]
    like: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A list with a plan in it: its bytes, what changed, and whom a person must look at.

    ``others`` are entries of channels that the plan does not have, with their frequency; ``dropped`` says that they were left out.
    ``with_offset`` are channels of the plan that keep a distance between receive and transmit. ``far`` are entries that moved by more
    than a tenth of their frequency, each with where it is now, Hz; ``furthest_hz`` is the longest way of all.
    """

    content: bytes
    changed: tuple[ChangedEntry, ...]
    unchanged: int
    others: tuple[int, ...]
    dropped: bool
    with_offset: tuple[int, ...]
    far: tuple[tuple[Entry, float], ...]
    furthest_hz: float


def fill(found: ChannelList, plan: ChannelPlan, *, drop_others: bool = False) -> Filled:
    """Return ``found`` with the frequencies, names and modes of ``plan``.

    A frequency that is the plan's already (nearer than `SAME_HZ`) stays as it is written; so does a mode that means the same. A channel
    the list lacks is added behind the last, with all other columns of the entry before it. With ``drop_others`` entries of channels
    that the plan does not have are left out. Raises FileProblems for a channel that stands there twice, a list without an entry, or a
    name that the list's encoding does not have.
    """
    _refuse_doubled(found)
    rows: dict[int, Row] = dict(enumerate(found.text.rows))
    changed: list[ChangedEntry] = []
    stored = [entry for entry in found.entries if entry.channel in plan.frequencies_hz]
    others = [
        entry
        for entry in found.entries
        if entry.channel not in plan.frequencies_hz and entry.frequency_hz is not None
    ]
    for entry in stored:
        rows[entry.row], changes = _filled(found, entry, plan, entry.channel)
        if changes:
            changed.append(ChangedEntry(channel=entry.channel, changes=changes))
    if drop_others:
        for entry in others:
            del rows[entry.row]
    lines, added = _with_missing(found, plan, list(rows.values()))
    text = replace(found.text, rows=tuple(lines))
    offset = {entry.channel for entry in found.entries if _has_offset(found, entry)}
    moves = [(entry, entry.frequency_hz, plan.frequencies_hz[entry.channel]) for entry in stored]
    return Filled(
        content=_encoded(text),
        changed=(*changed, *added),
        unchanged=len(stored) - len(changed),
        others=tuple(entry.channel for entry in others),
        dropped=drop_others,
        with_offset=(
            *(entry.channel for entry in stored if entry.channel in offset),
            *(one.channel for one in added if one.like in offset),
        ),
        far=tuple((entry, due) for entry, was, due in moves if was is not None and is_far(was, due)),
        furthest_hz=max((abs(was - due) for _, was, due in moves if was is not None), default=0.0),
    )


def _refuse_doubled(found: ChannelList) -> None:
    first: dict[int, int] = {}
    complaints = []
    for entry in found.entries:
        if entry.channel in first:
            message = (
                f"channel {entry.channel} stands here a second time, first on line {first[entry.channel]}"
            )
            complaints.append(at_line(found.text.path, entry.line, message, allowed="each channel once"))
        first.setdefault(entry.channel, entry.line)
    if not found.entries:
        complaints.append(at_line(found.text.path, 1, "the list has no entry", allowed="one entry or more"))
    if complaints:
        raise FileProblems(complaints)


def _filled(
    found: ChannelList, entry: Entry, plan: ChannelPlan, channel: int
) -> tuple[Row, tuple[Change, ...]]:
    """Return the row of ``entry`` as that of ``channel``, and what is another than before."""
    row = found.text.rows[entry.row]
    changes: list[Change] = []
    due = dict(_due(found, entry, plan, channel))
    if "name" in found.columns and channel != entry.channel:
        due.setdefault("name", "")  # a neighbour's name is not that of an added channel
    for role, value in due.items():
        at = found.columns[role]
        was = row.values[at] if at < len(row.values) else None
        if was is None or was == value:
            continue
        row = row.with_value(at, value, found.text.separator)
        changes.append(Change(column=found.header[at], was=was, becomes=value))
    return row, tuple(changes)


def _due(found: ChannelList, entry: Entry, plan: ChannelPlan, channel: int) -> Iterator[tuple[Role, str]]:
    """Yield what stands in each column of ``channel`` that is not to stay as ``entry`` has it."""
    due = _exact(plan.frequencies_hz[channel])
    text = found.value(entry, "frequency")
    before = found.styles["frequency"].read_hz(text) if text else None
    moved = before is None or abs(before - due) >= Decimal(str(SAME_HZ))
    if moved:
        yield "frequency", found.styles["frequency"].write(due, text)
    if "transmit" in found.columns and moved:
        style, text = found.styles["transmit"], found.value(entry, "transmit")
        sent = style.read_hz(text) if text else None
        if sent is not None:  # what is empty or 0 means as received; what is there keeps its distance
            yield "transmit", style.write(sent - before + due if before is not None else due, text)
    if "name" in found.columns and channel in plan.names:
        yield "name", plan.names[channel]
    if "mode" in found.columns and channel in plan.modes:
        yield "mode", _mode(found, found.value(entry, "mode"), plan.modes[channel])


_SAME_MODE = {
    "FM": ("fm", "f3e", "g3e"),
    "AM": ("am", "a3e"),
    "USB": ("usb",),
    "LSB": ("lsb",),
    "CW": ("cw", "a1a"),
}
"""What a list may call a mode: short words of the trade (NFM is FM), and classes of emission (ITU Radio Regulations, appendix 1)."""


def _mode(found: ChannelList, was: str, mode: str) -> str:
    """Return a mode as the list writes it: what means the same stays, and another takes the list's own word for it, if it has one."""
    at = found.columns["mode"]
    words = (found.text.rows[entry.row].values[at : at + 1] for entry in found.entries)
    own = next((word[0] for word in words if word and _means(word[0], mode)), mode)
    return was if _means(was, mode) else own


def _means(word: str, mode: str) -> bool:
    return any(one in word.casefold() for one in _SAME_MODE[mode])


def _exact(frequency_hz: float) -> Decimal:
    return Decimal(str(round(frequency_hz, 3)))


def _with_missing(
    found: ChannelList, plan: ChannelPlan, rows: list[Row]
) -> tuple[list[Row], list[ChangedEntry]]:
    """Return the rows with an entry for each channel of the plan that the list lacks, behind the last entry."""
    there = {entry.channel for entry in found.entries}
    added: list[ChangedEntry] = []
    for channel in plan.channels:
        if channel in there:
            continue
        like = _neighbour(found, channel)
        row, changes = _filled(found, like, plan, channel)
        row = row.with_value(found.columns["channel"], _number(found, like, channel), found.text.separator)
        rows = _appended(rows, row)
        added.append(ChangedEntry(channel=channel, changes=changes, like=like.channel))
    return rows, added


def _neighbour(found: ChannelList, channel: int) -> Entry:
    """Return the entry that a new one is made like: the next below it; one without a distance of receive and transmit, if there is any."""
    plain = [entry for entry in found.entries if not _has_offset(found, entry)] or list(found.entries)
    below = [entry for entry in plain if entry.channel < channel] or plain
    return max(below, key=lambda entry: entry.channel)


def _number(found: ChannelList, like: Entry, channel: int) -> str:
    text = found.value(like, "channel")
    return str(channel).zfill(len(text)) if text.startswith("0") else str(channel)


def _appended(rows: list[Row], row: Row) -> list[Row]:
    """Return the rows with one more; the end of the file, with a line end or without, stays as it was."""
    last = max(at for at, one in enumerate(rows) if not one.is_blank)
    ends = [one.end for one in rows if one.end]
    end = ends[0] if ends else "\n"
    if rows[last].end:
        return [*rows[: last + 1], replace(row, end=rows[last].end), *rows[last + 1 :]]
    return [*rows[:last], replace(rows[last], end=end), replace(row, end="")]


def _has_offset(found: ChannelList, entry: Entry) -> bool:
    values = found.text.rows[entry.row].values
    offset = any(_is_offset(values[at]) for at in found.offsets if at < len(values))
    if "transmit" not in found.columns or entry.frequency_hz is None:
        return offset
    text = found.value(entry, "transmit")
    sent = found.styles["transmit"].read_hz(text) if text else None
    return offset or (sent is not None and abs(float(sent) - entry.frequency_hz) >= SAME_HZ)


_NO_OFFSET = frozenset({"", "none", "off", "no", "simplex", "s", "false"})


def _is_offset(text: str) -> bool:
    return text.casefold() not in _NO_OFFSET and any(
        one not in "0.,+- " for one in text.casefold().removesuffix("hz").rstrip("mk")
    )


def _encoded(text: ListText) -> bytes:
    try:
        return text.content()
    except UnicodeEncodeError as error:
        wrong = error.object[error.start : error.end]
        raise about_file(
            text.path,
            f"a name of the plan holds {wrong!r}, which the list's encoding does not have",
            allowed=f"characters of {error.encoding}",
            hint="write that name in the plan otherwise",
        ) from error
