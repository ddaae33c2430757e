"""How a result is worded: on the screen, in reports and for a build server."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence

from sequencer.results.budget_rows import UNCERTAIN
from sequencer.results.line import LineFacts
from sequencer.results.model import NOT_ENDED, Result, RunRecord
from sequencer.units.convert import uv_emf_from_dbm, uv_pd_from_dbm
from sequencer.units.format import format_quantity, format_with_uncertainty, unit_of_difference


def value_text(row: Result, *, wide: bool = False) -> str:
    """Return a result's value with unit and expanded uncertainty; levels beside µV pd and µV emf, on one line where ``wide``.

    A bound says which it is: "at most (18.5 ± 4.8) nW".
    """
    value, unit, uncertainty = row.value, row.unit, row.uncertainty
    if value is None:
        return "—"
    if uncertainty is None:
        shown = f"{format_quantity(value, unit)} ± {UNCERTAIN}"
    elif math.isfinite(uncertainty):
        shown = format_with_uncertainty(value, uncertainty, unit)
    else:
        shown = f"{format_quantity(value, unit)} ± unknown"
    shown = with_bound(row.bound, shown)
    if unit == "dBm":
        pd, emf = f"{uv_pd_from_dbm(value):.3g} µV pd", f"{uv_emf_from_dbm(value):.3g} µV emf"
        shown += f"\n{pd}, {emf}" if wide else f"\n{pd}\n{emf}"
    return shown


def with_bound(bound: str, shown: str) -> str:
    """Return a value in words behind what it is where it is a bound only: at most, or at least."""
    return f"{bound} {shown}" if bound else shown


def limits_text(row: Result) -> str:
    """Return a result's limits: from … to …, at most …, at least …."""
    lower, upper, unit = row.lower_limit, row.upper_limit, row.unit
    if lower is not None and upper is not None:
        if lower == -upper:
            return f"± {format_quantity(upper, unit)}"
        low, high = format_quantity(lower, unit), format_quantity(upper, unit)
        low_number, _, low_unit = low.rpartition(" ")
        return f"{low_number if high.endswith(f' {low_unit}') else low} to {high}"
    if upper is not None:
        return f"at most {format_quantity(upper, unit)}"
    return f"at least {format_quantity(lower, unit)}" if lower is not None else ""


def shortfall_text(row: Result) -> str:
    """Return by how much a value lies beyond its limit, to two figures, and which; nothing where it lies beyond none."""
    if row.value is None:
        return ""
    for limit, word, beyond in ((row.upper_limit, "above", 1.0), (row.lower_limit, "below", -1.0)):
        by = 0.0 if limit is None else (row.value - limit) * beyond
        if limit is not None and by > 0.0:
            rounded, unit = float(f"{by:.2g}"), unit_of_difference(row.unit)
            amount = f"{rounded:g} dB" if unit == "dB" else format_quantity(rounded, unit)
            return f"{amount} {word} the limit of {format_quantity(limit, row.unit)}"
    return ""


def is_answer(row: Result) -> bool:
    """Say whether a row is a person's yes or no, which has no unit; the number of a setting, as found or as left, has none either."""
    return row.unit == "" and not row.stage


def value_in_words(row: Result) -> str:
    """Return a value with its unit and uncertainty; a person's answer is yes or no."""
    if is_answer(row) and row.value in (0.0, 1.0):
        return "yes" if row.value else "no"
    return value_text(row).splitlines()[0]


def voltages_in_words(row: Result) -> str:
    """Return what stands beside a level: its voltages; nothing for other quantities."""
    return ", ".join(value_text(row).splitlines()[1:])


def limits_in_words(row: Result) -> str:
    """Return the limits; none for a person's answer."""
    return "" if is_answer(row) else limits_text(row)


def quantity_in_words(row: Result) -> str:
    """Return the quantity; of what was adjusted with as found or as left behind it."""
    return f"{row.quantity}, {row.stage}" if row.stage else row.quantity


def channel_in_words(row: Result) -> str:
    """Return ", channel 20" to follow a quantity, or nothing where there is no channel."""
    return "" if row.channel is None else f", channel {row.channel}"


def with_minus(text: str) -> str:
    """Return text in which numbers below zero carry a true minus sign, as wide as a figure."""
    return re.sub(r"(?<![\w.)-])-(?=\d)", "\N{MINUS SIGN}", text)


def document_texts(row: Result) -> tuple[str, ...]:
    """Return what is said of a published document: whose its limit is, what was measured otherwise, and a U beyond it."""
    return tuple(row.document.split("\n")) if row.document else ()


def conditions_text(rows: Sequence[Result]) -> str:
    """Return with what the unit was fed, and at which temperatures it was measured."""
    supplies = dict.fromkeys(f"supply {row.supply_v:g} V" for row in rows if row.supply_v is not None)
    return "; ".join([*supplies, *_chamber_texts(rows)])


def _chamber_texts(rows: Iterable[Result]) -> tuple[str, ...]:
    """Return at which temperatures results were measured, a line each: what the chamber's air and the sensor read, and how long it soaked.

    Of several readings at one temperature the lowest and the highest.
    """
    found: dict[float, list[Result]] = {}
    for row in rows:
        if row.temperature_c is not None:
            found.setdefault(row.temperature_c, []).append(row)
    return tuple(
        f"chamber {with_minus(f'{asked_c:g} °C')} ({_chamber_read(some)})" for asked_c, some in found.items()
    )


def _chamber_read(some: Sequence[Result]) -> str:
    spans = (
        ("air read", [one.air_c for one in some if one.air_c is not None]),
        ("sensor on the unit", [one.sensor_c for one in some if one.sensor_c is not None]),
    )
    said = [f"{name} {with_minus(_span(numbers))} °C" for name, numbers in spans if numbers]
    said += dict.fromkeys(f"by the word of {one.read_by}" for one in some if one.read_by)
    said += dict.fromkeys(f"soaked {_duration(one.soaked_s)}" for one in some if one.soaked_s is not None)
    return "; ".join([*said, *dict.fromkeys("asked for, not read" for one in some if one.air_c is None)])


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 59.5 else f"{seconds / 60.0:.0f} min"


def _span(numbers: list[float]) -> str:
    low, high = f"{min(numbers):.1f}", f"{max(numbers):.1f}"
    return low if low == high else f"{low} to {high}"


def limits_from_text(rows: Iterable[Result]) -> str:
    """Return in which files, and on which lines, the limits of results stand; nothing where no file states any."""
    lines: dict[str, list[int]] = {}
    for row in rows:
        file, colon, line = row.limit_from.rpartition(":")
        if colon and line.isdigit():
            lines.setdefault(file, []).append(int(line))
    return "; ".join(f"{file}, {_lines_text(min(at), max(at))}" for file, at in lines.items())


def _lines_text(first: int, last: int) -> str:
    return f"line {first}" if first == last else f"lines {first} to {last}"


def evaluated_text(run: RunRecord) -> str:
    """Return in words which run a re-evaluation judges anew; nothing for a run that was measured."""
    if not run.evaluated_from:
        return ""
    return (
        f"re-evaluation of run {run.evaluated_from} of {run.from_time} (sequence {run.from_sequence_hash}, bench {run.from_bench_hash} "
        "then): nothing was measured"
    )


def not_ended_line(run: RunRecord, resume: str) -> str:
    """Return what can be done about a run that did not end as planned, with the command that carries it on; empty for one that did."""
    if run.outcome == "done" or run.evaluated_from:
        return ""
    carries = f"{resume} carries it on"
    if run.outcome == NOT_ENDED:
        return f"Run {run.run} has not ended. It goes on, or it was cut short: then {carries}."
    return f"Run {run.run} did not measure all it was to: {carries}."


def repeats_text(run: str, reason: str) -> str:
    """Return in words what a repeat repeats, and why."""
    return f"{run}, because: {reason}"


def line_text(line: LineFacts) -> str:
    """Return in words what a run carries of the line; nothing where it carries nothing."""
    attempt = f", attempt {line.attempt}" if line.attempt > 1 else ""
    why = f" because: {line.retest_reason}" if line.retest_reason else ""
    said = [f"batch {line.batch}{attempt}{why}"] if line.batch else []
    said += [
        f"{name} {text}"
        for name in ("station", "operator", "lot", "fixture")
        if (text := getattr(line, name))
    ]
    return "; ".join(said)
