"""Reads ordinary files and nothing else, and knows by its first bytes what was saved under the name of a text."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

from sequencer.problems import about_file, did_you_mean

_FORMATS = (
    (b"%PDF-", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive, as spreadsheets and text documents are"),
    (b"\xd0\xcf\x11\xe0", "an office document of the older kind"),
    (b"\x1f\x8b", "a packed file (gzip)"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"SQLite format 3\0", "an SQLite database, as a store is"),
    (b"PAR1", "a Parquet table"),
    (b"{\\rtf", "a text document with its formats (RTF)"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
)
"""First bytes of formats that lie about on a bench's computer, as their own specifications give them (from memory)."""
_PAGES = (b"<!doctype html", b"<html")
MOSTLY = 0.8


def is_ordinary(path: Path | str) -> bool:
    """Say whether there is an ordinary file; of a name that no file can have, or one that may not be looked at, there is none."""
    try:
        return Path(path).is_file()
    except (OSError, ValueError):
        return False


def is_there(path: Path | str) -> bool:
    """Say whether anything is there under this name; there is nothing under one that no file can have."""
    try:
        return Path(path).exists()
    except (OSError, ValueError):
        return False


def read_ordinary(path: Path, *, kind: str, most_bytes: int, too_large: str, hint: str = "") -> bytes:
    """Return the content of an ordinary file of at most ``most_bytes``; complaints ask for ``kind``. Raises FileProblems.

    A pipe or a device could hang or never end: neither is opened.
    """
    try:
        status = path.stat()
        if wrong := _not_ordinary(status.st_mode):
            raise about_file(path, wrong, allowed=kind, hint=hint)
        size = status.st_size
        content = b""
        if size <= most_bytes:
            with open(path, "rb", opener=_not_waiting) as file:  # Path.open takes no opener
                content = file.read(most_bytes + 1) or b""  # None where nothing is there to be read yet
            size = len(content)
    except (OSError, ValueError) as error:
        raise about_file(path, _reason(error), allowed=kind, hint=_neighbour(path) or hint) from error
    if size > most_bytes:
        raise about_file(path, f"the file has {size} bytes, too many {too_large}", allowed=_most(most_bytes))
    return content


def no_file_but(path: Path) -> str:
    """Return what stands under a name where no ordinary file does, in words; empty where nothing is there, or a file."""
    try:
        return _not_ordinary(path.stat().st_mode)
    except (OSError, ValueError):
        return ""


def format_of(content: bytes) -> str:
    """Return which format that is no plain text ``content`` begins as, in words; empty for one that is not known."""
    for first, called in _FORMATS:
        if content.startswith(first):
            return called
    if content[:512].lstrip(b"\xef\xbb\xbf \t\r\n").lower().startswith(_PAGES):
        return "a web page (HTML), such as a server gives in place of a file that it does not have"
    return ""


def seems_utf16(content: bytes) -> bool:
    """Say whether ``content`` looks like text in UTF-16: by its mark, or by the noughts that Latin letters have at every other place."""
    if content[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return True
    pairs = len(content) // 2
    fewer, more = sorted((content[::2].count(0), content[1::2].count(0)))
    return pairs >= 4 and more > MOSTLY * pairs and fewer < (1.0 - MOSTLY) * pairs


def _not_waiting(path: str, flags: int) -> int:
    """Open so that no read waits: what the system shows as an ordinary file may have nothing to give yet (its own log under /proc)."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def _not_ordinary(mode: int) -> str:
    if stat.S_ISREG(mode):
        return ""
    if stat.S_ISDIR(mode):
        return "this is a directory, not a file"
    kinds = ((stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"))
    called = next((name for is_one, name in kinds if is_one(mode)), "a device")
    return f"this is not an ordinary file, but {called}"


def _most(most_bytes: int) -> str:
    return f"at most {most_bytes} bytes ({most_bytes // (1 << 20)} MiB)"


def _reason(error: OSError | ValueError) -> str:
    if isinstance(error, FileNotFoundError):
        return "no such file"
    if isinstance(error, PermissionError):
        return "you may not read this file"
    if isinstance(error, OSError) and error.errno is not None:
        return f"cannot be read: {os.strerror(error.errno)} ({errno.errorcode.get(error.errno, error.errno)})"
    return f"cannot be read: {error}"


def _neighbour(path: Path) -> str:
    try:
        names = [entry.name for entry in path.parent.iterdir()][:1000]
    except (OSError, ValueError):
        return ""
    return did_you_mean(path.name, [name for name in names if name != path.name])
