"""One run in one file, whole, so that it can be replayed on another desk: what `replay --as-test` writes.

It is a kept run as `sequencer.results.store.spill` writes it, with the files it was made from; packed (gzip) where its name
ends in `.gz`.
"""

from __future__ import annotations

import gzip
import json
import zlib
from dataclasses import asdict, fields
from datetime import datetime
from enum import Enum
from itertools import groupby
from pathlib import Path
from typing import Any

from sequencer.files.ordinary import read_ordinary
from sequencer.problems import InputError, about_file, printable
from sequencer.results.model import RUN_COLUMNS, Result
from sequencer.results.store.spill import KeptCheck, KeptExchange, KeptInput, KeptRun, kept_of
from sequencer.run.replay.openings import Opening, openings
from sequencer.run.replay.source import Source, source_of_kept

LARGEST_BYTES = 64 * 1024 * 1024
"""What a trace may hold, unpacked."""
_ALLOWED = "a run as 'sequencer replay --as-test FILE' writes it (.json, .json.gz)"
TEST_NAME = "test_kept_traces.py"
TEST = '''"""Every run kept beside this file is replayed: its results and decisions are the same, and nothing else is asked."""

from pathlib import Path

import pytest

from sequencer.run.replay.replay import replay
from sequencer.run.replay.trace_file import read_trace

TRACES = sorted(
    one for one in Path(__file__).parent.glob("*.json*") if one.name.endswith((".json", ".json.gz"))
)


@pytest.mark.parametrize("trace", TRACES, ids=lambda trace: trace.name)
def test_a_kept_run_replays_the_same(trace: Path) -> None:
    """Today's code asks what was asked then, and comes to the same results."""
    replayed = replay(read_trace(trace))
    assert replayed.is_same, replayed.described()
'''
"""The test that stands beside kept traces; it holds nothing of any run."""


def read_trace(file: Path) -> Source:
    """Read a run that stands in a file by itself. Raises InputError that says what is wrong with it."""
    return source_in(
        read_ordinary(file, kind=_ALLOWED, most_bytes=LARGEST_BYTES, too_large="for a trace"), file
    )


def source_in(content: bytes, file: Path) -> Source:
    """Return the run that stands in ``content``, as ``file`` holds it or is to. Raises InputError that says what is wrong with it."""
    content = _unpacked(file, content)
    if len(content) > LARGEST_BYTES:
        raise _unusable(file, f"holds more than {LARGEST_BYTES} bytes")
    try:
        plain = json.loads(content.decode("utf-8"))
        json.dumps(plain).encode("utf-8")
    except (ValueError, RecursionError) as error:
        raise _unusable(file, f"is not a complete JSON file ({printable(str(error))[:80]})") from error
    return source_of_kept(kept_of(file, plain), str(file))


def is_trace(file: Path) -> bool:
    """Say whether ``file`` holds a run by itself, or nothing at all: only such a file may be written over."""
    try:
        if not file.is_file():
            return False
        if not file.stat().st_size:
            return True
        read_trace(file)
    except (OSError, InputError):
        return False
    return True


def _unusable(file: Path, message: str) -> InputError:
    return about_file(file, message, allowed=_ALLOWED)


def _unpacked(file: Path, content: bytes) -> bytes:
    if content[:2] != b"\x1f\x8b":
        return content
    unpacking = zlib.decompressobj(wbits=31)
    try:
        found = unpacking.decompress(content, LARGEST_BYTES + 1)
    except zlib.error as error:
        raise _unusable(file, f"is not a whole gzip file ({error})") from error
    if not unpacking.eof and len(found) <= LARGEST_BYTES:
        raise _unusable(file, "is not a whole gzip file: it is cut short")
    return found


def kept_of_source(source: Source) -> KeptRun:
    """Return the run with all that stands in its file."""
    run = source.run
    return KeptRun(
        **{name: getattr(run, name) for name in RUN_COLUMNS},
        instruments=source.instruments,
        inputs=tuple(map(KeptInput.of, source.inputs)),
        checks=tuple(check for one in openings(source) for check in _part(one)),
    )


def _part(opening: Opening) -> list[KeptCheck]:
    """Return what one opening of the bench left, with the entry that begins it first."""
    checks = _checks(opening.source)
    if (mark := opening.mark) is None:
        return checks
    kept = KeptExchange.of(mark.exchange)
    return [KeptCheck(check_index=mark.check_index, results=(), exchanges=(kept,)), *checks]


def _checks(source: Source) -> list[KeptCheck]:
    results: dict[int, list[Result]] = {}
    for index, one in source.results:
        results.setdefault(index, []).append(_plain_result(one))
    checks = []
    said = {
        index: [KeptExchange.of(one.exchange) for one in some]
        for index, some in groupby(
            sorted(source.entries, key=lambda one: one.check_index), key=lambda one: one.check_index
        )
    }
    for index in dict.fromkeys([*(one.check_index for one in source.entries), *sorted(results)]):
        checks.append(
            KeptCheck(
                check_index=index,
                results=tuple(results.get(index, ())),
                exchanges=tuple(said.get(index, ())),
            )
        )
    return checks


def _plain_result(one: Result) -> Result:
    return Result(**{field.name: getattr(one, field.name) for field in fields(Result)})


def plain_of(kept: KeptRun) -> dict[str, Any]:
    """Return the run as JSON has it: mappings, lists, texts and numbers."""
    return dict(json.loads(json.dumps(asdict(kept), default=_in_json)))


def content_of(plain: dict[str, Any], file: Path) -> bytes:
    """Return what is written to ``file``: packed where its name ends in ``.gz``."""
    text = json.dumps(plain, ensure_ascii=False, separators=(",", ":")) + "\n"
    content = text.encode("utf-8", "backslashreplace")
    return gzip.compress(content, 9, mtime=0) if file.name.endswith(".gz") else content


def _in_json(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds")
    assert isinstance(value, Enum)
    return str(value.value)
