"""What a unit's serial may be: it names files and rows, and stands on screens and in spreadsheets."""

from __future__ import annotations

SERIAL_MAX = 64
SERIAL_ALLOWED = (
    f'1 to {SERIAL_MAX} printable characters without / \\ : * ? " < > |, not beginning with a point'
)
_FORMULA = "=+-@"
"""What a spreadsheet takes for the beginning of a formula."""


def wrong_with_serial(stripped: str) -> str:
    """Return why a text, without blanks around it, cannot be a serial; empty where it can."""
    if not stripped:
        return "the serial is empty"
    if len(stripped) > SERIAL_MAX:
        return f"the serial has {len(stripped)} characters"
    if any(not character.isprintable() for character in stripped):
        return "the serial holds a control character"
    if any(character in '/\\:*?"<>|' for character in stripped) or stripped.startswith("."):
        return "the serial holds a character that cannot stand in a file's name"
    return ""


def looks_like_formula(stripped: str) -> bool:
    """Say whether a spreadsheet would take the text for a formula, so that a list that came from one may hold something else."""
    return stripped[:1] in _FORMULA if stripped else False
