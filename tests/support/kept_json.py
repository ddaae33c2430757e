"""A kept run as earlier sequencers wrote it beside its table, as JSON; this one only reads it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from drivers.trace import Exchange
from sequencer.results.journal_lines import as_plain
from sequencer.results.model import BenchInstrument, Result, RunRecord
from sequencer.results.store.spill import KeptCheck, KeptExchange, KeptRun

Check = tuple[int, Sequence[Result], Sequence[Exchange]]


def write_kept(
    path: Path, run: RunRecord, checks: Iterable[Check], instruments: Sequence[BenchInstrument] = ()
) -> Path:
    """Write the file, and return it."""
    kept = KeptRun(
        **as_cells(run),
        instruments=tuple(instruments),
        checks=tuple(
            KeptCheck(check_index=index, results=tuple(results), exchanges=tuple(map(KeptExchange.of, said)))
            for index, results, said in checks
        ),
    )
    text = json.dumps(kept, ensure_ascii=False, indent=1, default=as_plain) + "\n"
    path.write_text(text, encoding="utf-8", errors="backslashreplace")
    return path


def as_cells(run: RunRecord) -> dict[str, Any]:
    """Return the fields of a run."""
    plain: dict[str, Any] = as_plain(run)
    return plain
