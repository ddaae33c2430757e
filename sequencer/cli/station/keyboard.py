"""What the window makes of keys: whole scans, answers to the question that stands, and typed texts. Nothing of Textual."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sequencer.cli.station.drawn import Typed
from sequencer.run.line.face import END, NO, OTHER, YES, Face
from sequencer.run.line.scans import MOST_WAITING, Affixes, Scan, ScanBuffer, Waiting


class Keyboard:
    """Takes keys and pastes under a face, and returns the messages for the station, as JSON has them."""

    def __init__(self, affixes: Affixes | None = None) -> None:
        self._buffer = ScanBuffer(affixes)
        self._sent: list[Scan] = []
        self._draft = ""
        self._left_out = 0

    def typed(self) -> Typed:
        """Return what is shown of it."""
        waiting = Waiting()
        waiting.add(self._sent)
        return Typed(
            begun=self._buffer.begun, draft=self._draft, waiting=waiting.scans, left_out=self._left_out
        )

    def taken(self, count: int) -> None:
        """Take note that the station has taken so many more scans."""
        del self._sent[:count]

    def key(self, name: str, character: str | None, face: Face) -> list[dict[str, Any]]:
        """Take one key: its name, and what it types where it types anything."""
        if name in (YES, NO, OTHER):
            return self._answer(name, face)
        if name == END:
            return [{"end": True}] if face.phase == "waiting" else []
        if name == "backspace":
            self._buffer.erase()
            return []
        ends = {"enter": "\r", "tab": "\t"}
        return self._came(self._buffer.take(ends.get(name, character or "")), face)

    def paste(self, text: str, face: Face) -> list[dict[str, Any]]:
        """Take a bracketed paste."""
        return self._came(self._buffer.paste(text), face)

    def _came(self, scans: Iterable[Scan], face: Face) -> list[dict[str, Any]]:
        found = list(scans)
        if found and face.phase == "typing":  # a text that was ended by Enter, or a scan: F2 says which
            *before, last = found
            found = [*([Scan(serial=self._draft)] if self._draft else []), *before]
            self._draft = last.serial
        return [message for scan in found for message in self._kept(scan, face)]

    def _kept(self, scan: Scan, face: Face) -> list[dict[str, Any]]:
        if len(self._sent) >= MOST_WAITING:
            self._left_out += 1
            return []
        self._sent.append(scan)
        return [{"scan": scan.serial, "wrong": scan.wrong, "turn": face.turn}]

    def _answer(self, name: str, face: Face) -> list[dict[str, Any]]:
        question = face.question
        if question is None:
            return []
        if not question.is_typed:
            allowed = {one.key for one in question.choices}
            return [{"key": name, "asked": face.asked}] if name in allowed else []
        text, self._draft = self._draft or self._buffer.drop(), ""
        if name == YES:
            return [{"text": text, "asked": face.asked}]
        return [{"text": None, "asked": face.asked}] if name == NO else []
