"""Runs that are killed: a child process runs from where this one stands and gets SIGKILL at a line of its journal, or after a time."""

from __future__ import annotations

import csv
import json
import os
import signal
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.run.keeping.journal import Journal

SEQUENCE = """\
sequence: Short
channels: cept-40
mode: FM
supply: 13.2 V
share_key: no
prepare: [{confirm: knobs right}]
checks:
  - {check: carrier_power, channel: 20, limit: {max: 4 W}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: enter_reading, name: idle current, text: the idle current, quantity: current, unit: mA}
  - {check: sinad, channel: 20, level: -100 dBm}
"""
RUN = ("--bench", "bench", "--serial", "M40-0007", "--confirmed", "--entered", "idle current=120 mA")
"""What stands behind the sequence's name."""


@dataclass(frozen=True)
class Left:
    """What stands of a run: rows of its table and of its store, as (number of the check, check, channel, quantity, decision)."""

    table: list[tuple[Any, ...]]
    store: list[tuple[Any, ...]]
    outcome: str
    whole: bool

    @property
    def measured(self) -> list[tuple[Any, ...]]:
        """The rows of the store that count, without confirmations, which are given again."""
        return sorted(one for one in self.store if one[1] != "confirm")


def call(*words: str) -> Any:
    """Call the command line in this process."""
    return CliRunner().invoke(main, list(words))


def killed(words: Sequence[str], when: Callable[[int], bool], *, before: bool = False) -> int:
    """Run a command in a child that is killed once ``when`` is true of the number of a line of its journal; return the wait status.

    Killed just after the line stands there, and so before what it announces; ``before``: just before it does.
    """
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1]
    write = Journal._write_waiting

    def write_or_die(self: Journal) -> None:
        if before and when(self.number - 1):
            os.kill(os.getpid(), signal.SIGKILL)
        write(self)
        if when(self.number - 1):
            os.kill(os.getpid(), signal.SIGKILL)

    Journal._write_waiting = write_or_die  # type: ignore[method-assign] # in this child, which ends here
    nothing = os.open(os.devnull, os.O_RDWR)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)
    call(*words)
    os._exit(0)


def lines_of(folder: Path) -> list[dict[str, Any]]:
    """Return the lines of the only journal in a folder, read past the product."""
    (journal,) = folder.glob("*.journal")
    return [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()]


def left_in(folder: Path) -> Left:
    """Read what stands in the only table and the store of a folder, by csv and sqlite3 alone."""
    (table,) = folder.glob("*.csv")
    with table.open(encoding="utf-8", newline="") as file:
        rows = [
            (one["check"], int(one["channel"]) if one["channel"] else None, one["quantity"], one["decision"])
            for one in csv.DictReader(file)
        ]
    whole = table.read_bytes().endswith(b"\r\n")
    store, outcome = [], ""
    if (path := folder / "results.sqlite").exists():
        with closing(sqlite3.connect(path)) as opened:
            if opened.execute("select count(*) from sqlite_master where name = 'result'").fetchone() == (1,):
                store = opened.execute(
                    "select check_index, \"check\", channel, quantity, decision from result where replaced_by = '' order by id"
                ).fetchall()
                (outcome,) = opened.execute("select outcome from run").fetchone() or ("",)
    return Left(table=rows, store=store, outcome=outcome, whole=whole)


def finished_in(folder: Path) -> set[tuple[Any, ...]]:
    """Return what a run had finished by its journal, as rows of the store; a last line that is cut short says nothing."""
    found: set[tuple[Any, ...]] = set()
    for journal in folder.glob("*.journal"):
        for line in journal.read_bytes().split(b"\n")[:-1]:
            plain = json.loads(line)
            if plain["event"] == "check ended":
                found |= {
                    (plain["check_index"], one["check"], one["channel"], one["quantity"], one["decision"])
                    for one in plain["results"]
                }
    return found
