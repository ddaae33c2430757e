"""What the window makes of keys: whole scans, answers to the question that stands, and typed texts. Nothing of Textual.

A bar code may hold ESC, and with it what a function key sends. A finger's key stands alone, so one that types nothing counts only where no
other came within `ALONE_S` before or after it; in a burst it belongs to the scan, which is refused for it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sequencer.cli.station.drawn import Typed
from sequencer.run.line.face import END, NO, OTHER, YES, Face
from sequencer.run.line.scans import ESCAPE, MOST_WAITING, Affixes, Scan, ScanBuffer, Waiting

ALONE_S = 0.15
"""Scanners leave up to some tens of milliseconds between characters (common practice, no source); nobody presses two keys within it."""
NOT_ALONE = "That key came together with others and was not taken: press it again."
ENDING = f"{END.upper()}: the session ends after this unit."
_ESC_DIGITS = frozenset("–º¡™£¢∞§¶•ª≠")
"""What Textual makes of ESC and a digit, a minus or an equals sign [read off its parser]."""
_ENDS = {"enter": "\r", "tab": "\t", "ctrl+j": "\n"}


class Keyboard:
    """Takes keys and pastes under a face, and returns the messages for the station, as JSON has them."""

    def __init__(self, affixes: Affixes | None = None) -> None:
        self._buffer = ScanBuffer(affixes)
        self._sent: list[Scan] = []
        self._draft = ""
        self._left_out = 0
        self._notice = ""
        self._begun_turn = 0
        self._typed_s = float("-inf")
        """When the last key came that types something, or one that was not alone."""
        self._held: tuple[str, float, Face] | None = None
        """A key that types nothing, when it came and under which face, until it is known to be alone."""

    def typed(self) -> Typed:
        """Return what is shown of it."""
        waiting = Waiting()
        waiting.add(self._sent)
        return Typed(
            begun=self._buffer.begun,
            draft=self._draft,
            waiting=waiting.scans,
            left_out=self._left_out,
            notice=self._notice,
        )

    def taken(self, count: int) -> None:
        """Take note that the station has taken so many more scans."""
        del self._sent[:count]

    @property
    def due_s(self) -> float | None:
        """When a key that is held back is known to be alone; None where none is."""
        return None if self._held is None else self._held[1] + ALONE_S

    def key(self, name: str, character: str | None, face: Face, at_s: float) -> list[dict[str, Any]]:
        """Take one key that came at ``at_s``: its name, and what it types where it types anything."""
        found = self.due(at_s)
        text = _ENDS.get(name) or (character if character and not name.startswith("alt+") else "")
        if text in _ESC_DIGITS:
            self._hold("", face, at_s)
            text = "0"  # it is refused, whichever it was
        elif not text or text in ESCAPE:
            self._hold(name, face, at_s)
            return found
        self._notice = ""
        if self._held is not None:  # within a burst: it was the scan's
            self._held = None
            self._buffer.take("\x1b")
        self._typed_s = at_s
        if name == "backspace":
            self._buffer.erase()
            return found
        return found + self._taken(text, face)

    def due(self, now_s: float) -> list[dict[str, Any]]:
        """Return what the key that was held back does, if it is known to be alone by now."""
        if self._held is None or now_s < self._held[1] + ALONE_S:
            return []
        (name, at_s, face), self._held = self._held, None
        if name in (YES, NO, OTHER, END) and at_s - self._typed_s < ALONE_S:
            self._notice = NOT_ALONE
            return []
        if name == END:
            self._notice = ENDING if face.phase in ("measuring", "opening") else ""
            return [{"end": True}]
        return self._answer(name, face) if name in (YES, NO, OTHER) else []

    def _hold(self, name: str, face: Face, at_s: float) -> None:
        """Hold back a key that types nothing; the same again is one that is held down, another makes both part of a burst."""
        self._notice = ""
        if self._held is not None:
            before, first_s, face = self._held
            self._typed_s = self._typed_s if before == name else max(self._typed_s, first_s)
        self._held = (name, at_s, face)

    def odd(self, face: Face, at_s: float) -> None:
        """Take note of what came among the keys and is none: a terminal's report, which a bar code may hold too."""
        self._hold("", face, at_s)

    def paste(self, text: str, face: Face) -> list[dict[str, Any]]:
        """Take a bracketed paste."""
        return self._came(self._buffer.paste(text), face, face.turn)

    def _taken(self, text: str, face: Face) -> list[dict[str, Any]]:
        if not self._buffer.begun:  # a scan is of the turn in which it began
            self._begun_turn = face.turn
        return self._came(self._buffer.take(text), face, self._begun_turn)

    def _came(self, scans: Iterable[Scan], face: Face, turn: int) -> list[dict[str, Any]]:
        found = list(scans)
        if found and face.phase == "typing":  # a text that was ended by Enter, or a scan: F2 says which
            *before, last = found
            found = [*([Scan(serial=self._draft)] if self._draft else []), *before]
            self._draft = last.serial if ESCAPE[0] not in last.serial else ""
        return [message for scan in found for message in self._kept(scan, turn)]

    def _kept(self, scan: Scan, turn: int) -> list[dict[str, Any]]:
        if len(self._sent) >= MOST_WAITING:
            self._left_out += 1
            return []
        self._sent.append(scan)
        return [{"scan": scan.serial, "wrong": scan.wrong, "turn": turn}]

    def _answer(self, name: str, face: Face) -> list[dict[str, Any]]:
        question = face.question
        if question is None:
            return []
        if not question.is_typed:
            allowed = {one.key for one in question.choices}
            return [{"key": name, "asked": face.asked}] if name in allowed else []
        text, self._draft = self._draft or self._buffer.drop(), ""
        if name == YES and ESCAPE[0] in text:
            self._notice = NOT_ALONE
            return []
        if name == YES:
            return [{"text": text, "asked": face.asked}]
        return [{"text": None, "asked": face.asked}] if name == NO else []
