"""`risk --batch`: what decision rules cost in each quantity of a batch, by how its units spread."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import click

from sequencer.analysis.batches.quantities import quantities_of
from sequencer.analysis.batches.summary import find_record
from sequencer.analysis.batches.true_spread import TrueSpread, true_spread_of
from sequencer.analysis.batches.units import read_batch_units
from sequencer.cli.statistics.risk_text import as_plain, lines_of, rules_of
from sequencer.cli.statistics.wrapped import show_lines, terminal_width
from sequencer.problems import did_you_mean, listed, option_problem, printable
from sequencer.results.line import BatchRecord
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from sequencer.statistics.rule_risks import RiskTable, find_rule_risks


def batch_risk(
    name: str,
    check: str,
    *,
    rule: str,
    false_accept: float | None,
    folder: Path,
    store_name: str,
    as_json: bool,
) -> None:
    """Show the risks of the rules in each quantity with limits, or in those of one check."""
    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        record = find_record(name, store, place)
        quantities = quantities_of(read_batch_units(store, record))
    checks = list(dict.fromkeys(one.check for one in quantities))
    if check and check not in checks:
        raise option_problem(
            "--check",
            f"batch '{printable(record.batch)}' has no such check",
            found=check[:60],
            allowed=listed(checks) or "none: it has no results with numbers yet",
            hint=did_you_mean(check, checks),
        )
    spreads = [true_spread_of(one) for one in quantities if check in ("", one.check)]
    found = [(one, _table(one, rule, false_accept)) for one in spreads]
    if as_json:
        plain = [
            {
                "check": spread.quantity.check,
                "quantity": spread.quantity.title,
                "note": spread.note,
                **({} if table is None else as_plain(table, spread.quantity.unit)),
            }
            for spread, table in found
        ]
        click.echo(json.dumps({"batch": record.batch, "quantities": plain}, ensure_ascii=False, indent=2))
        return
    show_lines(_lines(record, found))


def _table(spread: TrueSpread, rule: str, false_accept: float | None) -> RiskTable | None:
    quantity = spread.quantity
    if spread.process is None or quantity.limits is None or quantity.uncertainty is None:
        return None
    return find_rule_risks(
        spread.process,
        quantity.uncertainty,
        quantity.limits,
        factors=rules_of(rule),
        false_accept=false_accept,
    )


def _lines(record: BatchRecord, found: list[tuple[TrueSpread, RiskTable | None]]) -> Iterator[str]:
    yield f"Batch {printable(record.batch)}{' (SIMULATED: no measurement of real units)' if record.simulated else ''}"
    for spread, table in found:
        title = printable(f"{spread.quantity.check}: {spread.quantity.title}")
        yield ""
        if table is None:
            yield f"{title}: nothing can be said: {spread.note}."
            continue
        yield f"{title}:"
        yield from lines_of(table, spread.quantity.unit, width=terminal_width())
        yield spread.note
    if not found:
        yield "No results with numbers yet."
    yield ""
    yield "An error that all units share, such as the bench's own, moves their mean and is not seen here: the guard band is for that."
