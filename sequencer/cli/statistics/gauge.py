"""`gauge`: shows a gauge study that was made, here or elsewhere; one that is to be made is left to `gauge_run`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import click

from sequencer.analysis.gauge import GaugeFinding, find_gauge_finding, findings_of
from sequencer.analysis.gauge_study import study_path
from sequencer.cli.statistics.figures import in_one_unit
from sequencer.cli.statistics.gauge_kept import cells_without_run, end_early
from sequencer.cli.statistics.gauge_state import damaged_lines, withheld_lines, without_run_lines
from sequencer.cli.statistics.gauge_text import all_lines, finding_as_plain, head_lines, record_as_plain
from sequencer.cli.statistics.wrapped import show_lines, terminal_width
from sequencer.inputs.lists.gauge_list import ListedReading, read_gauge_list
from sequencer.problems import option_problem
from sequencer.results.gauge_log import read_gauge
from sequencer.run.status import ExitStatus


def show_study(name: str, folder: Path, store: str, *, ends: bool, as_json: bool) -> int:
    """Show the kept study called ``name``, or the one of the file of that path; returns the exit status.

    ``ends``: end it first, whole or not.
    """
    path = study_path(name, folder, option="--show")
    read_gauge(path)
    if ends:
        end_early(path)
    return show_record(path, store, as_json=as_json)


def show_record(path: Path, store: str, *, as_json: bool) -> int:
    """Show what is kept of a study, and what it says once it is whole or was ended early; ``store``: where its runs should be."""
    record = read_gauge(path)
    findings = findings_of(record) if record.is_whole or record.ended_early else []
    lost = damaged_lines(path, record)
    without, why = cells_without_run(record, path.parent, store) if record.cells else ([], "")
    notes = [*lost, *without_run_lines(path, without, why)]
    if as_json:
        plain = {**record_as_plain(record, findings), "notes": notes}
        click.echo(json.dumps(plain, ensure_ascii=False, indent=2))
    else:
        show_lines(
            [
                *head_lines(record),
                *notes,
                *(all_lines(findings, width=terminal_width()) if findings else withheld_lines(record)),
            ]
        )
    status = _status(findings)
    return max(status, int(ExitStatus.BENCH_FAILED)) if without else status


def show_list(path: Path, lower: str, upper: str, *, as_json: bool) -> int:
    """Show what readings say that were made elsewhere; returns the exit status."""
    numbers, unit = in_one_unit({"--lower": lower, "--upper": upper}, differences=())
    low, high = numbers.get("--lower"), numbers.get("--upper")
    if low is not None and high is not None and low >= high:
        raise option_problem(
            "--lower", f"'{lower}' does not lie below '{upper}'", found=lower, allowed=f"below {upper}"
        )
    findings = [
        _of_list(name, group, unit, low, high) for name, group in _grouped(read_gauge_list(path)).items()
    ]
    if as_json:
        plain = {"from": str(path), "findings": [finding_as_plain(one) for one in findings]}
        click.echo(json.dumps(plain, ensure_ascii=False, indent=2))
    else:
        show_lines("\n".join(all_lines(findings, width=terminal_width())).strip("\n").split("\n"))
    return _status(findings)


def _grouped(readings: Sequence[ListedReading]) -> dict[str, list[ListedReading]]:
    found: dict[str, list[ListedReading]] = {}
    for one in readings:
        found.setdefault(one.quantity, []).append(one)
    return found


def _of_list(
    name: str, readings: Sequence[ListedReading], unit: str, lower: float | None, upper: float | None
) -> GaugeFinding:
    units = dict.fromkeys(one.unit for one in readings)
    operators = dict.fromkeys(one.operator for one in readings)
    cells: dict[tuple[str, str], list[float]] = {(one, other): [] for one in units for other in operators}
    for one in readings:
        cells[one.unit, one.operator].append(one.value)
    trials = max(len(cell) for cell in cells.values())
    return find_gauge_finding(
        name=name or "readings", unit=unit, readings=cells, trials=trials, lower=lower, upper=upper
    )


def _status(findings: Sequence[GaugeFinding]) -> int:
    """Return 3 where something is missing or nothing can be said; how good the measuring is, is no status."""
    spoilt = not findings or any(one.study is None or one.missing for one in findings)
    return int(ExitStatus.BENCH_FAILED if spoilt else ExitStatus.PASSED)
