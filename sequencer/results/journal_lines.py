"""The lines of a journal: one JSON object each, with a number and a checksum that continues the line before.

A line cut short, altered, moved or taken out does not fit the one before it: what stands before it counts, and how much does not is told.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from enum import Enum
from functools import cache
from operator import attrgetter
from typing import Any

from sequencer.frozen import dataclass

FORMAT = 1
"""The number of the journal's format; a reader refuses a higher one."""
ENDING = ".journal"
LONGEST_HEAD = 2**22
"""A first line is no longer than that, bytes; that of a sequence of 12 steps has 2 kB [measured]."""
_SUM = re.compile(rb',"sum":"([0-9a-f]{8})"\}\n\Z')
_BEGINNING = re.compile(rb"\{[ -~]*")  # lines are ASCII without control characters
_SUM_BYTES = len(b',"sum":"01234567"}\n')


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """What a journal holds: its whole lines in order, and how many bytes they are.

    ``lost_bytes`` is what follows them and does not count. ``altered`` says that a whole line stands among that, so that it was not cut
    short but changed; ``unfinished`` that it is no more than the beginning of one line.
    """

    lines: tuple[Mapping[str, Any], ...]
    good_bytes: int
    last_sum: int
    lost_bytes: int = 0
    altered: bool = False
    unfinished: bool = False


def make_line(number: int, before: int, facts: Mapping[str, Any]) -> tuple[bytes, int]:
    """Return a line and its checksum (CRC-32, continued from that of the line before; 0 for the first).

    Frozen values, times and enumerations may stand in ``facts``: they become objects, ISO 8601 and their values.
    """
    text = json.dumps({"number": number, **facts}, separators=(",", ":"), default=as_plain)
    body = text[:-1].encode("ascii")  # all else is escaped, lone surrogates too
    found = zlib.crc32(body, before)
    return b'%s,"sum":"%08x"}\n' % (body, found), found


def read_lines(content: bytes) -> Lines:
    """Return what counts of a journal: all up to the first line that is cut short or does not fit the one before."""
    found: list[Mapping[str, Any]] = []
    good, before = 0, 0
    while (end := content.find(b"\n", good) + 1) > 0:
        line = content[good:end]
        if (made := _checked(line, len(found), before)) is None:
            break
        found.append(made)
        before = int(line[-_SUM_BYTES:][8:16], 16)
        good = end
    lost = content[good:]
    return Lines(
        lines=tuple(found),
        good_bytes=good,
        last_sum=before,
        lost_bytes=len(lost),
        altered=any(_SUM.search(line) for line in lost.splitlines(keepends=True)),
        unfinished=_BEGINNING.fullmatch(lost) is not None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundLines:
    """What is sound of lines of which some are damaged: the others in order, and which are ``damaged``, counted from 1.

    ``good_bytes``: up to the last line that was written to its end; ``lost_bytes``: behind it. ``next_number`` and ``last_sum`` are what
    a line goes on with that is added there. ``unsure``: what damaged lines seem to say, which something else must bear out.
    """

    lines: tuple[Mapping[str, Any], ...]
    damaged: tuple[int, ...]
    unsure: tuple[Mapping[str, Any], ...]
    good_bytes: int
    lost_bytes: int
    next_number: int
    last_sum: int


def read_around(content: bytes) -> SoundLines:
    """Return all lines that are sound, those behind a damaged one too, for lines that say something each by itself.

    A line is sound where its checksum continues the one that the line before states, were that damaged or not; so a damaged checksum
    costs the next line as well.
    """
    found: list[Mapping[str, Any]] = []
    damaged: list[int] = []
    unsure: list[Mapping[str, Any]] = []
    good = before = place = 0
    last = -1
    since = 0
    while (end := content.find(b"\n", good) + 1) > 0:
        line, good = content[good:end], end
        place += 1
        made = _checked(line, None, before)
        said = _SUM.search(line)
        before = int(said[1], 16) if said else 0
        number = made.get("number") if made else None
        if made is None or type(number) is not int or number <= last:
            damaged.append(place)
            if (seems := _plain(line)) is not None:
                unsure.append(seems)
            since += 1
            continue
        found.append(made)
        last, since = number, 0
    return SoundLines(
        lines=tuple(found),
        damaged=tuple(damaged),
        unsure=tuple(unsure),
        good_bytes=good,
        lost_bytes=len(content) - good,
        next_number=last + 1 + since,
        last_sum=before,
    )


def _checked(line: bytes, number: int | None, before: int) -> Mapping[str, Any] | None:
    said = _SUM.search(line)
    if said is None or zlib.crc32(line[:-_SUM_BYTES], before) != int(said[1], 16):
        return None
    plain = _plain(line)
    return plain if plain is not None and (number is None or plain.get("number") == number) else None


def _plain(line: bytes) -> Mapping[str, Any] | None:
    try:
        plain = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return plain if isinstance(plain, dict) else None


def as_plain(value: Any) -> Any:
    """Return for JSON what JSON does not know: the fields of a frozen value, a time, an enumeration's value."""
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds")
    if isinstance(value, Enum):
        return value.value
    kind: Any = type(value)
    names, cells = _fields_of(kind)
    return dict(zip(names, cells(value), strict=True))


@cache
def _fields_of(kind: Any) -> tuple[tuple[str, ...], Any]:
    names = tuple(one.name for one in fields(kind))
    get = attrgetter(*names)
    return names, get if len(names) > 1 else lambda value: (get(value),)
