"""The journals in a results folder: which run one is of, whether it has ended, and whether it goes on. Reads no more than that takes."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from sequencer.frozen import dataclass
from sequencer.results.journal_lines import ENDING, LONGEST_HEAD

_NONE_OF_OURS = (ValueError, KeyError, TypeError, AttributeError, RecursionError, MemoryError)


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """What a look at a journal tells. ``outcome`` is empty where the run has not ended; ``last`` is the check that had begun last."""

    path: Path
    run: str
    serial: str
    bench_hash: str
    simulated: bool
    outcome: str
    last: str
    evaluated_from: str = ""
    """Of a re-evaluation the run that it judges anew: it had no bench, and there is nothing to carry on."""

    @property
    def is_cut_short(self) -> bool:
        """Whether the run has not ended and nobody goes on with it."""
        return not self.outcome and not self.evaluated_from and not is_held(self.path)


def journals(folder: Path) -> Iterator[Path]:
    """Yield the journals of a folder, the one that was written to last first; none where there is no such folder."""
    found: list[tuple[float, str]] = []
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.endswith(ENDING):
                with suppress(OSError):
                    if not entry.is_file():  # opening a pipe would wait for whoever writes to it
                        continue
                    found.append((entry.stat().st_mtime, entry.name))
    return (folder / name for _, name in sorted(found, reverse=True))


def glance(path: Path) -> Glance | None:
    """Look at a journal; None for what is none."""
    try:
        with path.open("rb") as file:
            head = file.readline(LONGEST_HEAD)
            run = json.loads(head)["record"]
            content = head + file.read()
        return Glance(
            path=path,
            run=str(run["run"]),
            serial=str(run["serial"]),
            bench_hash=str(run["bench_hash"]),
            simulated=bool(run["simulated"]),
            outcome=_said(content, b'"event":"ended"', "outcome", since=b'"event":"resumed"'),
            last=_said(content, b'"event":"check begun"', "label"),
            evaluated_from=str(run.get("evaluated_from", "")),
        )
    except (OSError, *_NONE_OF_OURS):
        return None


def is_held(path: Path) -> bool:
    """Say whether another process writes to a journal: its run goes on. False where that cannot be told."""
    if sys.platform == "win32":
        return False
    import fcntl

    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(handle)
    return False


def _said(content: bytes, event: bytes, name: str, *, since: bytes = b"") -> str:
    """Return what the last whole line of an event says under ``name``; empty where there is none after the last one of ``since``."""
    at = content.rfind(event)
    if at < 0 or (since and content.rfind(since) > at):
        return ""
    begin, end = content.rfind(b"\n", 0, at) + 1, content.find(b"\n", at)
    try:
        return "" if end < 0 else str(json.loads(content[begin:end])[name])
    except _NONE_OF_OURS:  # the line was altered: reading the whole journal says so
        return ""
