"""Shows every byte that was exchanged in a run."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path

import click

from sequencer.analysis.runs import find_run
from sequencer.analysis.trace import sent_again
from sequencer.problems import did_you_mean, listed, option_problem, printable
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from sequencer.results.stored import StoredExchange, exchange_as_plain

HEADS = ("step", "time", "instrument", "way", "message")
AGAIN = "AGAIN "
"""Stands before a message that was sent a second time because the first ended in a fault."""


def trace_command(
    run_name: str,
    *,
    step: int | None,
    check: str,
    instruments: tuple[str, ...] = (),
    faults: bool = False,
    folder: Path,
    store_name: str = "",
    as_json: bool,
) -> int:
    """Show what was exchanged in a run, a line an exchange; returns the exit status."""
    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        run = find_run(run_name, store, place, None)
        exchanges = store.read_exchanges(run.run)
        results = store.read_results(run.run, points=False)
        cleared = store.read_cleared(run.run)
    if cleared is not None:
        click.echo(f"the trace of run {run.run} {cleared}; its results stand", err=True)
        if not exchanges:
            return 0
    checks = {one.check_index: "" for one in exchanges} | {one.check_index: one.check for one in results}
    steps = _steps(run.run, dict(sorted(checks.items())), step, check)
    asked = _instruments(run.run, dict.fromkeys(one.instrument for one in exchanges), instruments)
    again, about_faults = sent_again(exchanges)
    shown = [
        (one, at in again)
        for at, one in enumerate(exchanges)
        if one.check_index in steps and one.instrument in asked and (at in about_faults or not faults)
    ]
    if not shown:
        click.echo("no message ended in a fault" if faults else "no messages", err=True)
    elif not as_json:
        click.echo(_columns(*HEADS))
    for one, is_again in shown:
        click.echo(_as_json(one, is_again) if as_json else _line(one, is_again))
    return 0


def _instruments(run: str, there: Iterable[str], asked: tuple[str, ...]) -> set[str]:
    """Return the instruments that are asked for, all where none is. Raises InputError for one that took no part."""
    names = list(there)
    for name in asked:
        if name not in names:
            raise option_problem(
                "--instrument",
                f"run {run} exchanged nothing with {name!r}",
                allowed=listed(names) or "none: nothing was exchanged",
                hint=did_you_mean(name, names),
            )
    return set(asked or names)


def _steps(run: str, checks: Mapping[int, str], step: int | None, check: str) -> set[int]:
    """Return the numbers of the checks that are asked for. Raises InputError if there are none."""
    if step is not None and step not in checks:
        allowed = f"{min(checks)} to {max(checks)}" if checks else "none: it ended before its first check did"
        raise option_problem("--step", f"run {run} has no check {step}", allowed=allowed)
    names = dict.fromkeys(name for name in checks.values() if name)
    if check and check not in names:
        raise option_problem(
            "--check",
            f"run {run} has no check named {check!r}",
            allowed=listed(names) or "none: it ended before its first check did",
            hint=f"a check's number is given with --step {check}"
            if check.isdigit()
            else did_you_mean(check, names),
        )
    return {at for at, name in checks.items() if step in (None, at) and check in ("", name)}


def _as_json(one: StoredExchange, is_again: bool) -> str:
    return json.dumps({**exchange_as_plain(one), "again": is_again})


def _line(one: StoredExchange, is_again: bool) -> str:
    content = one.content.decode("ascii", "backslashreplace")
    fault = f"  FAULT {one.fault}" if one.fault else ""
    said = printable(f"{AGAIN if is_again else ''}{content}{fault}")
    return _columns(str(one.check_index), f"{one.time_s:.4f} s", one.instrument, one.direction.value, said)


def _columns(step: str, time: str, instrument: str, way: str, message: str) -> str:
    return f"{step:>4} {time:>12}  {instrument:20} {way:8} {message}"
