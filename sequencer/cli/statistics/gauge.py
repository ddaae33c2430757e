"""`gauge`: shows a gauge study that was made, here or elsewhere; one that is to be made is left to `gauge_run`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import click

from sequencer.analysis.gauge import GaugeFinding, find_gauge_finding, findings_of
from sequencer.cli.statistics.figures import in_one_unit
from sequencer.cli.statistics.gauge_text import all_lines, finding_as_plain, head_lines, record_as_plain
from sequencer.inputs.gauge_list import ListedReading, read_gauge_list
from sequencer.problems import did_you_mean, listed, option_problem
from sequencer.results.gauge_log import ENDING, GaugeRecord, gauge_path, read_gauge
from sequencer.run.status import ExitStatus


def show_study(name: str, folder: Path, *, as_json: bool) -> int:
    """Show the kept study called ``name``, or the one in the file of that path; returns the exit status."""
    path = Path(name) if name.endswith(ENDING) else gauge_path(folder, name)
    if not path.is_file() and not name.endswith(ENDING):
        there = sorted(one.stem for one in folder.glob(f"*{ENDING}"))[:30] if folder.is_dir() else []
        raise option_problem(
            "--show",
            f"no gauge study '{name}' is kept in {folder}",
            found=name,
            allowed=listed(there) or "a study that was begun; there is none here",
            hint=did_you_mean(name, there),
        )
    return show_record(read_gauge(path), as_json=as_json)


def show_record(record: GaugeRecord, *, as_json: bool) -> int:
    """Show what is kept of a study, and what it says."""
    findings = findings_of(record)
    if as_json:
        click.echo(json.dumps(record_as_plain(record, findings), ensure_ascii=False, indent=2))
    else:
        lines = [*head_lines(record), *all_lines(findings)]
        if not findings:
            lines.append("Nothing has been measured yet.")
        click.echo("\n".join(lines))
    return _status(findings)


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
        click.echo("\n".join(all_lines(findings)).strip("\n"))
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
