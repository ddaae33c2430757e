"""Commands that look back at what the store holds: side by side, over time, written out, as a report."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import click

from sequencer.analysis.repeats import as_one, read_whole
from sequencer.cli.results import find_run
from sequencer.problems import FileProblems, about_file
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.store import Store, Wanted


def compare_command(
    names: tuple[str, ...],
    *,
    by: str,
    allow: tuple[str, ...],
    folder: Path,
    store_name: str = "",
    as_json: bool,
) -> int:
    """Lay units, runs or groups side by side; returns the exit status."""
    from sequencer.analysis.compare import compare, group_of, group_runs

    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        groups = [group_of(name, members) for name, members in _named(names, store, place)]
        groups = groups or group_runs(store.iterate_runs(Wanted(), points=False), by)
    comparison = _clearly(lambda: compare(groups, allow=allow))
    if as_json:
        click.echo(json.dumps(comparison.as_plain(), ensure_ascii=False, indent=2))
        return 0
    from rich.console import Console

    from sequencer.cli.comparison_screen import comparison_screen

    Console().print(comparison_screen(comparison))
    return 0


def history_command(
    serial: str, *, check: str, channel: int | None, folder: Path, store_name: str = "", as_json: bool
) -> int:
    """Show quantities of one unit over time, with their drift; returns the exit status."""
    from sequencer.analysis.estimates import instruments_text
    from sequencer.analysis.history import histories

    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        wanted = Wanted(serials=(serial,), check=check, channel=channel)
        rows = store.find_results(wanted, points=False)[::-1]
        who = store.read_instruments(list(dict.fromkeys(row["run"] for row in rows)))
    if not rows:
        raise _nothing(
            place,
            f"no results of unit {serial!r} that are asked for",
            "'sequencer results --serial …' lists what there is",
        )
    texts = {run: instruments_text({"instruments": found}) for run, found in who.items()}
    found = _clearly(lambda: histories(rows, instruments=texts))
    if as_json:
        click.echo(json.dumps([one.as_plain() for one in found], ensure_ascii=False, indent=2))
        return 0
    from rich.console import Console

    from sequencer.cli.comparison_screen import history_screen

    Console().print(history_screen(found))
    return 0


def export_command(file: Path, *, kind: str, serial: str | None, folder: Path, store_name: str = "") -> int:
    """Write all results, or one unit's, into a file; returns the exit status."""
    from sequencer.results.export import export

    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        written = export(store.iterate_runs(Wanted(serials=(serial,) if serial else ())), file, kind)
    click.echo(f"{file}: {written} results")
    return 0


def report_command(
    names: tuple[str, ...],
    file: Path,
    *,
    title: str,
    comments: tuple[str, ...],
    plots: Any,
    folder: Path,
    store_name: str = "",
) -> int:
    """Write a report of one or more runs; returns the exit status."""
    from sequencer.report import write_report

    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        found = (as_one(read_whole(find_run(name, store, place, None), store)) for name in names)
        runs = list({run["run"]: run for run in found}.values())
    write_report(runs, file, title=title, comments=comments, plots=plots)
    click.echo(str(file))
    return 0


def _named(
    names: Sequence[str], store: Store, place: StorePlace
) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Yield each name with the runs of that unit, or else the run of that name and those that repeat its checks."""
    of_units: dict[str, list[dict[str, Any]]] = {}
    if names:
        for run in store.iterate_runs(Wanted(serials=names), points=False):
            of_units.setdefault(run["serial"], []).append(run)
    seen: dict[str, str] = {}
    for name in names:
        if name in of_units:
            yield name, of_units[name]
            continue
        members = read_whole(find_run(name, store, place, None), store, points=False)
        first = str(members[0]["run"])
        if first in seen and seen[first] != name:
            raise about_file(
                "the command line",
                f"{seen[first]} and {name} are one run and its repeat, of which the last result counts",
                hint=f"'sequencer results {first}' shows both results",
            )
        seen[first] = name
        yield name, members


def _clearly(look: Any) -> Any:
    try:
        return look()
    except ValueError as error:
        raise about_file("the command line", str(error)) from error


def _nothing(place: StorePlace, message: str, hint: str) -> FileProblems:
    return about_file(place, message, hint=hint)
