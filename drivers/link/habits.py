"""What an instrument does to its answers that the standard does not, and how it is switched off or said in a profile.

Told beside a fault, as its next move: whoever writes the profile sees what to change.
"""

from __future__ import annotations

import re

LONGEST_NUMBER = 200
"""Characters of an answer that may be a number with something about it."""
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d+)?"
_COMMA = re.compile(r"\s*[+-]?\d+,\d+(?:[Ee][+-]?\d+)?\s*")
_NAMED = re.compile(rf"\s*[:*]?[A-Za-z][A-Za-z0-9_:]*[ =]\s*{_NUMBER}\s*")
_WITH_UNIT = re.compile(rf"\s*{_NUMBER}\s*[A-Za-z%\u00b5][A-Za-z%/ \u00b5]*")


def habit_of(reply: str, message: str) -> str:
    """Return the next move for an answer to ``message`` that is changed as instruments do; nothing where none is recognised."""
    if (
        len(reply) > LONGEST_NUMBER
    ):  # no number: and the patterns below take time with the square of its length
        return ""
    if _repeats(reply, message):
        return "It repeats what it is sent: switch its echo off, at the instrument or at the adapter between."
    if reply[:1] in ("\r", "\n") and reply.strip():
        return (
            "It begins an answer with an empty line: switch that off, at the instrument or at the adapter between (its line ending, or "
            "a mode for terminals)."
        )
    if _COMMA.fullmatch(reply):
        return "It writes a decimal comma: set its language or its number format to a decimal point."
    if _NAMED.fullmatch(reply):
        return (
            "It writes a name before its answers: switch that off (in the profile's 'prepare', if it has a command for it), or say in the "
            "profile where the number stands, with \"pattern: '([-+.0-9Ee]+)$'\" at each command that it answers so."
        )
    if _WITH_UNIT.fullmatch(reply):
        return (
            "It writes a unit behind its numbers: say in the profile where the number stands, with \"pattern: '^([-+.0-9Ee]+)'\" at each "
            "command that it answers so, and with 'unit' which unit it is, where the profile's is another."
        )
    return ""


def _repeats(reply: str, message: str) -> bool:
    sent = message.strip()
    return bool(sent) and reply.lstrip().startswith(sent)
