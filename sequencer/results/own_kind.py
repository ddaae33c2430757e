"""Says whether a file is an export of results, by what it holds: only such a file may be written over."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

_OF_AN_EXPORT = {"run", "check_index", "replaced_by"}
"""Columns that every export has; a run's own table has neither of the last two."""
_HEAD = 4096


def is_export(path: Path, kind: str) -> bool:
    """Say whether ``path`` holds an export of this kind ("csv", "jsonl", "parquet", "junit"), or nothing at all."""
    with suppress(OSError, ValueError):
        if not path.is_file():
            return False
        with path.open("rb") as file:
            head = file.read(_HEAD)
        return not head or _RECOGNISED[kind](path, head)
    return False


def _is_csv(path: Path, head: bytes) -> bool:
    first = head.split(b"\n", 1)[0].decode("utf-8")
    return set(next(csv.reader([first]), [])) >= _OF_AN_EXPORT


def _is_json_lines(path: Path, head: bytes) -> bool:
    with path.open("rb") as file:
        record = json.loads(file.readline())
    return isinstance(record, dict) and set(record) >= _OF_AN_EXPORT


def _is_parquet(path: Path, head: bytes) -> bool:
    if not head.startswith(b"PAR1"):
        return False
    try:
        import pyarrow.parquet as pq
    except ImportError:
        return False
    return set(pq.read_schema(path).names) >= _OF_AN_EXPORT


def _is_junit(path: Path, head: bytes) -> bool:
    return head.startswith(b"<?xml") and b'<testsuites name="sequencer"' in head


_RECOGNISED: dict[str, Callable[[Path, bytes], bool]] = {
    "csv": _is_csv,
    "jsonl": _is_json_lines,
    "parquet": _is_parquet,
    "junit": _is_junit,
}
