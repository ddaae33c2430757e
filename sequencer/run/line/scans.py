"""What a scanner types, taken apart: characters in, whole serials out.

A bar-code scanner is a keyboard that types fast: its characters arrive one by one, in bursts of several scans, or as one bracketed paste,
with what it was set up to send before and after. Nothing here acts on anything, and nothing looks at the time: what stands between two
ends is one scan, however it was cut on its way.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from sequencer.frozen import dataclass
from sequencer.inputs.names.serial import looks_like_formula, wrong_with_serial

ENDS = "\r\n\t\x03\x04"
"""What ends a scan: Enter, Tab, ETX or EOT. Scanners send one of them, or Enter as two characters (common practice, no source)."""
BEGINS = "\x02"
"""STX: what a scanner may send before a scan (common practice, no source)."""
LONGEST = 256
"""Characters of a scan that are kept; more is no serial, and what is cut off is said."""
MOST_WAITING = 100
"""Scans that are kept; what comes on top is counted, and said."""
ESCAPE = "\x1b\x9b"
"""What begins an escape sequence."""
_SYMBOLOGY = re.compile(r"\][A-Za-z][0-9A-Za-z]")
"""Which kind of bar code it was, in three characters before the text (ISO/IEC 15424, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Affixes:
    """What a scanner was set up to type before and after each serial, beside what ends it; taken off where it is there."""

    prefix: str = ""
    suffix: str = ""

    def strip(self, text: str) -> str:
        """Return the serial that stands in ``text``."""
        bare = text.strip()
        if _SYMBOLOGY.match(bare):
            bare = bare[3:]
        bare = bare.removeprefix(self.prefix) if self.prefix else bare
        return (bare.removesuffix(self.suffix) if self.suffix else bare).strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """One scan. ``wrong`` says why it is nobody's serial; empty where it can be one. ``times``: so often in a row, a doubled scan is 2."""

    serial: str
    wrong: str = ""
    times: int = 1


class ScanBuffer:
    """Collects characters until a scan is whole."""

    def __init__(self, affixes: Affixes | None = None) -> None:
        self._affixes = affixes or Affixes()
        self._begun: list[str] = []
        self._wrong = ""

    @property
    def begun(self) -> str:
        """What has been typed since the last end."""
        return "".join(self._begun)

    def take(self, characters: str) -> list[Scan]:
        """Take what was typed; returns the scans that are whole now, in order."""
        found: list[Scan] = []
        for one in characters:
            if one in ENDS:
                found += self._whole()
            elif one in BEGINS:
                self._wrong = self._wrong or ("its end is missing" if self._begun else "")
                found += self._whole()
            else:
                self._add(one)
        return found

    def paste(self, characters: str) -> list[Scan]:
        """Take a bracketed paste, which ends what was begun before it and is whole by itself."""
        return [*self._cut_short(), *self.take(characters), *self._whole()]

    def erase(self) -> None:
        """Take back the last character, as the backspace key does."""
        if self._begun:
            self._begun.pop()

    def drop(self) -> str:
        """Return what has been begun, and forget it."""
        text, self._wrong = self.begun, ""
        self._begun.clear()
        return text

    def _cut_short(self) -> list[Scan]:
        if self._begun:
            self._wrong = self._wrong or "its end is missing"
        return self._whole()

    def _add(self, one: str) -> None:
        if one in ESCAPE:
            self._wrong = "it holds an escape sequence"
        elif unicodedata.category(one) in ("Cc", "Cf", "Cs"):  # what a scanner sends beside the text
            return
        if len(self._begun) >= LONGEST:
            self._wrong = self._wrong or f"it is longer than {LONGEST} characters"
            return
        self._begun.append(one)

    def _whole(self) -> list[Scan]:
        wrong = self._wrong
        serial = self._affixes.strip(self.drop())
        if not serial:
            return []
        return [Scan(serial=serial, wrong=wrong or wrong_with_scan(serial))]


def wrong_with_scan(serial: str) -> str:
    """Return why what was scanned is nobody's serial; empty where it can be one."""
    if looks_like_formula(serial):
        return "it begins as a spreadsheet's formula does"
    if serial.startswith("~") or any(one in serial for one in "/\\"):
        return "it is a path of a file"
    return wrong_with_serial(serial).replace("the serial", "it")


def twice_in_one(serial: str) -> str:
    """Return the text that stands twice in a scan, as a doubled scan without an end between gives it; empty where none does."""
    half, odd = divmod(len(serial), 2)
    return serial[:half] if half >= 3 and not odd and serial[:half] == serial[half:] else ""


class Waiting:
    """The scans that nobody has taken yet, in order. A scan of the same serial again right after it is a doubled scan."""

    def __init__(self) -> None:
        self._scans: list[Scan] = []
        self.left_out = 0
        """Scans for which there was no room."""

    def __len__(self) -> int:
        return len(self._scans)

    @property
    def scans(self) -> tuple[Scan, ...]:
        """All that wait."""
        return tuple(self._scans)

    def add(self, scans: Iterable[Scan]) -> None:
        """Put scans behind those that wait."""
        for one in scans:
            last = self._scans[-1] if self._scans else None
            if last is not None and (last.serial, last.wrong) == (one.serial, one.wrong):
                self._scans[-1] = Scan(serial=one.serial, wrong=one.wrong, times=last.times + one.times)
            elif len(self._scans) < MOST_WAITING:
                self._scans.append(one)
            else:
                self.left_out += 1

    def take(self) -> Scan | None:
        """Take the one that came first; None where none waits."""
        return self._scans.pop(0) if self._scans else None
