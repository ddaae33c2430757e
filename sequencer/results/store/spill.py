"""A run as one JSON file beside its results table: what the store could not take is not lost with the process."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from drivers.trace import Exchange
from sequencer.files.write import onto_disk, whole_file
from sequencer.problems import FileProblems
from sequencer.results.model import Result, facts_of
from sequencer.results.store.rows import BenchInstrument


class KeptBeside:
    """All that a run has left so far; a file only while the store could not take it."""

    def __init__(self, path: Path, run: Mapping[str, Any]) -> None:
        self.run: dict[str, Any] = dict(run)
        self.instruments: Sequence[BenchInstrument] = ()
        self._path = path
        self._checks: list[tuple[int, Sequence[Result], Sequence[Exchange]]] = []
        self._written = False

    def add(self, check_index: int, results: Sequence[Result], said: Sequence[Exchange]) -> None:
        """Remember what a check left."""
        self._checks.append((check_index, results, said))

    def write(self) -> str:
        """Write the file anew, whole, onto the disk. Return what is wrong if it cannot be."""
        text = json.dumps(self._as_plain(), ensure_ascii=False, indent=1)
        try:
            with (
                whole_file(self._path) as beside,
                beside.open("w", encoding="utf-8", errors="backslashreplace") as file,
            ):
                file.write(text + "\n")
                onto_disk(file)
        except FileProblems as problems:
            return (
                f"cannot keep the run beside its table either: {problems.complaints[0].message}: {self._path}"
            )
        self._written = True
        return ""

    def remove(self) -> None:
        """Take the file away: the store has it all."""
        if self._written:
            self._path.unlink(missing_ok=True)
            self._written = False

    def where(self) -> str:
        """Return where the run stands beside its table, for the end of a sentence."""
        if not self._written:
            return ""
        return (
            f", and with readings and exchanged bytes in {self._path}, which 'sequencer take-in' takes into the store "
            "once it can be written"
        )

    def _as_plain(self) -> dict[str, Any]:
        return {
            **self.run,
            "instruments": [asdict(one) for one in self.instruments],
            "checks": [
                {
                    "check_index": index,
                    "results": [_result(one) for one in results],
                    "exchanges": [_exchange(one) for one in said],
                }
                for index, results, said in self._checks
            ],
        }


def _result(result: Result) -> dict[str, Any]:
    return {
        **facts_of(result),
        "points": [asdict(point) for point in result.points],
        "budget": result.budget,
        "settings": result.settings,
    }


def _exchange(exchange: Exchange) -> dict[str, Any]:
    # Latin-1 gives every byte the character of its number: nothing is lost, and text stays readable.
    return {
        "time_s": exchange.time_s,
        "instrument": exchange.instrument,
        "direction": exchange.direction.value,
        "content": exchange.content.decode("latin-1"),
        "fault": exchange.fault,
    }
