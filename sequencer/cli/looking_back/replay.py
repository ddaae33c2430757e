"""`replay`: goes through a stored run again without a bench, or judges its readings anew."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from sequencer.analysis.runs import find_run
from sequencer.files.write import FileMark, refuse_over, write_new
from sequencer.problems import listed, option_problem, printable
from sequencer.results.model import Result, facts_of
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store, Wanted
from sequencer.results.text import channel_in_words, limits_text, quantity_in_words, value_in_words
from sequencer.run.interrupt import stoppable
from sequencer.run.record import Record
from sequencer.run.replay.compare import Compared, Fate, differing
from sequencer.run.replay.keep import keep
from sequencer.run.replay.replay import Replayed, replay
from sequencer.run.replay.source import Source, source_in_store
from sequencer.run.replay.trace_file import TEST, TEST_NAME, is_trace, read_trace
from sequencer.run.status import ExitStatus
from sequencer.units.format import counted

SAME, DIFFERS = 0, 1
MOST_SHOWN = 40
"""Results that are named; --json has all."""
_MESSAGE_MAX = 200


@stoppable()
def replay_command(
    run_name: str,
    *,
    sequence_name: str = "",
    bench_name: str = "",
    as_test: Path | None = None,
    mask_serial: bool = False,
    force: bool = False,
    folder: Path,
    store_name: str = "",
    as_json: bool = False,
) -> int:
    """Replay a run; returns 0 where all is the same, 1 where it is not."""
    for option, given in (("--mask-serial", mask_serial), ("--force", force)):
        if given and as_test is None:
            raise option_problem(option, "no file is written", allowed="--as-test FILE beside it")
    if as_test is not None and (sequence_name or bench_name):
        raise option_problem(
            "--as-test", "a test holds the run against its own files", allowed="--as-test by itself"
        )
    source = _source(run_name, folder, store_name)
    over = None if as_test is None else _may_write_over(as_test, force=force)
    replayed = replay(
        source,
        sequence_name=sequence_name,
        bench_name=bench_name,
        make_record=lambda facts: Record(folder, facts, store=store_name),
        new_run=_new_run(simulated=source.run.simulated),
    )
    if as_json:
        click.echo(json.dumps(_as_json(replayed), ensure_ascii=False, indent=2))
    else:
        for line in _lines(replayed):
            click.echo(printable(line))
    for problem in (*replayed.problems, *_own_problems(replayed)):
        click.echo(printable(problem), err=True)
    if replayed.outcome.status is ExitStatus.INTERRUPTED and not source.was_stopped:
        return int(ExitStatus.INTERRUPTED)
    if as_test is not None:
        _write_test(replayed, as_test, mask_serial=mask_serial, over=over)
    if replayed.record is not None and replayed.problems:
        return int(ExitStatus.BENCH_FAILED)
    return SAME if replayed.is_same else DIFFERS


def _source(name: str, folder: Path, store_name: str) -> Source:
    """Return the run that is meant: in a file of its own, or in the store."""
    if name.endswith((".json", ".json.gz")):
        return read_trace(Path(name))
    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        measured = store.read_runs(Wanted(measured=True), limit=1) if name == "last" else []
        return source_in_store(measured[0] if measured else find_run(name, store, place, None), store, place)


def _new_run(*, simulated: bool) -> str:
    stamp = datetime.now().astimezone().strftime("%Y%m%dT%H%M%S")
    return f"{stamp}-{uuid.uuid4().hex[:6]}-evaluated{'-simulated' if simulated else ''}"


def _may_write_over(file: Path, *, force: bool) -> FileMark | None:
    """Return which kept trace is written over; None where nothing stands there. Raises InputError for any other file."""
    if not file.name.endswith((".json", ".json.gz")):
        raise option_problem(
            "--as-test", f"{file.name!r} names no trace", allowed="a name that ends in .json or .json.gz"
        )
    return refuse_over(file, kind="a kept run", force=force, is_own=is_trace)


def _write_test(replayed: Replayed, file: Path, *, mask_serial: bool, over: FileMark | None) -> None:
    left = keep(replayed, file, mask_serial=mask_serial, over=over)
    test = file.with_name(TEST_NAME)
    beside = ""
    if not test.exists():
        write_new(test, TEST.encode())
        beside = f"; {TEST_NAME} beside it replays every trace in that folder"
    click.echo(f"The run is kept in {printable(str(file))}{beside}.", err=True)
    if not replayed.is_same:
        click.echo(
            "It does not replay the same today, as said above: its test fails until it does.", err=True
        )
    if left:
        click.echo(
            f"Left in it where they may be something else than a serial or a name: {listed(map(printable, left))}. Look for them before "
            "it leaves the house.",
            err=True,
        )


def _own_problems(replayed: Replayed) -> Iterator[str]:
    """Yield what today's code fell over: a defect of its own, which no bench can be blamed for."""
    for problem in replayed.outcome.problems:
        if "the check itself failed" in problem or "the run itself failed" in problem:
            yield problem


def _lines(replayed: Replayed) -> Iterator[str]:
    run, source = replayed.source.run, replayed.source
    kind = "Re-evaluation" if replayed.changed else "Replay"
    yield f"{kind} of run {run.run}: {run.sequence}, {f'{run.model} {run.serial}'.strip()} on {run.bench}"
    if replayed.changed:
        yield f"    judged by another {' and another '.join(replayed.changed)} than it was measured with; nothing was measured"
    if (at := replayed.departure) is not None:
        where = f" in {replayed.departed_check}" if replayed.departed_check else ""
        total = counted(len(source.entries), "message")
        yield f"The first difference is message {at.place} of {total}{where}:"
        yield f"    then  {at.then[:_MESSAGE_MAX] or 'nothing more'}"
        yield f"    now   {f'{at.instrument}: sent {at.now}'[:_MESSAGE_MAX] if at.now else 'nothing more'}"
    if source.was_stopped:
        yield f"The run did not come to its end ({run.outcome}); it is gone through as far as its checks ended."
    others = [one for one in replayed.results if one.fate is not Fate.SAME]
    for one in others[:MOST_SHOWN]:
        yield from _told(one)
    if len(others) > MOST_SHOWN:
        yield f"… and {len(others) - MOST_SHOWN} more; --json has all"
    yield f"{replayed.counts()}{', every message as it was' if replayed.is_exact else ''}."
    if replayed.record is not None:
        record = replayed.record
        yield f"Stored as run {record.facts.run}; table {record.table.path}"


def _told(one: Compared) -> Iterator[str]:
    row = one.result
    yield f"{one.fate.value}: {quantity_in_words(row)}{channel_in_words(row)}{f' {row.mode}' if row.mode else ''}"
    rows = {"then": one.then, "now ": one.now if one.fate is not Fate.LOST else None}
    there = {when: row for when, row in rows.items() if row is not None}
    for when, text in zip(there, _in_words(*there.values()), strict=True):
        yield f"    {when}  {text}"


def _in_words(*rows: Result) -> list[str]:
    """Return a result's value, limits and decision; of two what tells them apart, too: the rule, or figures that rounding hides."""
    words = [_row_in_words(row) for row in rows]
    unlike = differing(rows[0], rows[-1])
    if "rule" in unlike:
        words = [f"{text}, rule {row.rule}" for text, row in zip(words, rows, strict=True)]
    if unlike and len(set(words)) == 1:
        figures = (", ".join(f"{_worded(name)} {getattr(row, name)}" for name in unlike) for row in rows)
        words = [f"{text}, {exact}" for text, exact in zip(words, figures, strict=True)]
    return words


def _worded(name: str) -> str:
    return name.replace("_", " ")


def _row_in_words(row: Result) -> str:
    limits = limits_text(row)
    value = "not measured" if row.value is None else value_in_words(row)
    return f"{value}{f' ({limits})' if limits else ''}  {row.decision.value}"


def _as_json(replayed: Replayed) -> dict[str, Any]:
    at, run = replayed.departure, replayed.source.run
    return {
        "run": run.run,
        "simulated": run.simulated,
        "same": replayed.is_same,
        "changed": list(replayed.changed),
        "messages": len(replayed.source.entries),
        "first_difference": None
        if at is None
        else {
            "place": at.place,
            "check_index": at.check_index,
            "check": replayed.departed_check,
            "instrument": at.instrument,
            "then": at.then,
            "now": at.now,
        },
        "results": [
            {
                "check_index": one.index,
                "fate": one.fate.value,
                "then": None if one.then is None else facts_of(one.then),
                "now": None if one.now is None or one.fate is Fate.LOST else facts_of(one.now),
            }
            for one in replayed.results
        ],
        "stored_as": None if replayed.record is None else replayed.record.facts.run,
    }
