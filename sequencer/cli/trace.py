"""Shows every byte that was exchanged in a run."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import click

from sequencer.analysis.runs import find_run
from sequencer.problems import did_you_mean, listed, option_problem, printable
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from sequencer.results.stored import StoredExchange, exchange_as_plain


def trace_command(
    run_name: str, *, step: int | None, check: str, folder: Path, store_name: str = "", as_json: bool
) -> int:
    """Show what was exchanged in a run, a line an exchange; returns the exit status."""
    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        run = find_run(run_name, store, place, None)
        exchanges = store.read_exchanges(run.run)
        results = store.read_results(run.run, points=False)
    checks = {one.check_index: "" for one in exchanges} | {one.check_index: one.check for one in results}
    shown = _steps(run.run, dict(sorted(checks.items())), step, check)
    for one in exchanges:
        if one.check_index in shown:
            click.echo(_line(one, as_json))
    return 0


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


def _line(one: StoredExchange, as_json: bool) -> str:
    if as_json:
        return json.dumps(exchange_as_plain(one))
    content = one.content.decode("ascii", "backslashreplace")
    fault = f"  FAULT {one.fault}" if one.fault else ""
    said = printable(f"{content}{fault}")
    return f"{one.check_index:3} {one.time_s:10.4f} s  {one.instrument:20} {one.direction.value:8} {said}"
