"""What a batch, a station, an operator, a lot or a fixture may be called: they stand in rows, on screens and in spreadsheets."""

from __future__ import annotations

LONGEST_TEXT = 64
"""Characters of such a name."""
_NO_FILE = '/\\:*?"<>|'
_FORMULA = tuple("=+-@")


def wrong_with_name(what: str, text: str, *, names_files: bool = False, most: int = LONGEST_TEXT) -> str:
    """Return why a text cannot name ``what`` ("batch", "station", …); empty where it can, or where it is empty."""
    if len(text) > most:
        return f"the {what} has {len(text)} characters"
    if not text.isprintable():
        return f"the {what} holds a control character"
    if names_files and (text.startswith(".") or any(one in _NO_FILE for one in text)):
        return f"the {what} holds a character that cannot stand in a file's name"
    if text[:1] in _FORMULA:
        return f"the {what} begins as a spreadsheet's formula does"
    return ""


def allowed_name(*, names_files: bool = False, most: int = LONGEST_TEXT) -> str:
    """Return what a name may be, in words."""
    without = (
        ' without / \\ : * ? " < > |, beginning neither with a point nor'
        if names_files
        else ", not beginning"
    )
    return f"1 to {most} printable characters{without} with = + - @"
