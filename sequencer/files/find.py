"""Finds the file that a command or another file names, and says what is wrong where the name stands."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from pathlib import Path

from sequencer.files.read import read_utf8
from sequencer.files.shipped import Kind, find_file
from sequencer.files.yaml_tree import Source
from sequencer.problems import Complaint, FileProblems


def named_file(text: str, kind: Kind) -> Path:
    """Return the file a command names; what is there but is no ordinary file is refused as that, not as missing."""
    try:
        return find_file(text, kind)
    except FileProblems:
        with suppress(OSError, ValueError):  # too long a name, or a NUL in it: no such file
            if text.strip() and Path(text).exists():
                read_utf8(text)
        raise


def file_named_in(text: str, kind: Kind, beside: Path, source: Source, at: tuple[str, ...]) -> Path:
    """Return the file that the entry ``at`` of ``source`` names. Raises FileProblems with that entry's place."""
    try:
        return find_file(text, kind, beside=beside)
    except FileProblems as problems:
        raise FileProblems([pointing_at(problems, source, at)]) from problems


def pointing_at(problems: FileProblems, source: Source, at: tuple[str, ...]) -> Complaint:
    """Return the first of ``problems`` as a complaint about the entry ``at`` of ``source``."""
    first = problems.complaints[0]
    return source.complain(
        at, f"{first.message}: {first.found!r}", found=first.found, allowed=first.allowed, hint=first.hint
    )


def file_hash(*paths: Path) -> str:
    """Return the first 16 hexadecimal digits of the SHA-256 of the files' bytes, one after another."""
    return hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()[:16]
