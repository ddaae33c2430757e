"""The risks of decision rules on the screen, and as plain values."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from sequencer.problems import option_problem
from sequencer.statistics.risk import GlobalRisk
from sequencer.statistics.rule_risks import RiskRange, RiskTable, RuleRisk
from sequencer.uncertainty.decision import Limits, Rule
from sequencer.units.format import counted, unit_of_difference


def rules_of(text: str) -> list[tuple[str, float]]:
    """Return the rules that are shown, by name and guard factor: simple, guarded, and the one asked for. Raises InputError."""
    rules = [("simple (w = 0)", 0.0), ("guarded (w = U)", 1.0)]
    if text:
        try:
            factor = Rule.parse(text).guard_factor
        except ValueError as error:
            raise option_problem(
                "--rule", str(error), found=text[:40], allowed="simple, guarded or a guard factor of -1 to 10"
            ) from error
        if factor not in (0.0, 1.0):
            rules.append((f"w = {factor:g} U", factor))
    return rules


_HEADS = ("guard band w", "bad accepted", "good refused", "bad of accepted", "refused")


def lines_of(table: RiskTable, unit: str, *, width: int) -> Iterator[str]:
    """Give the lines of a terminal of so many columns: a row for each rule, or where they are too few a line for each figure."""
    process, difference = table.process, unit_of_difference(unit)
    yield (
        f"Limits {_limits(table.limits, unit)}; process {_text(process.mean, unit)}, standard deviation "
        f"{_text(process.spread, difference)}; U = {_text(table.expanded, difference)} (k = 2)."
    )
    if not math.isnan(ratio := table.test_uncertainty_ratio):
        yield f"Tolerance over 2U (TUR): {ratio:.3g}." + (" Below the customary 4." if ratio < 4.0 else "")
    yield ""
    widest = max(len(rule.name) for rule in table.rules)
    rows = [_row("", _HEADS, widest)]
    for rule in table.rules:
        rows += _rows(rule, widest, difference)
    if max(map(len, rows)) > width:
        rows = [row for rule in table.rules for row in _stacked(rule, difference)]
    yield from rows
    yield ""
    yield from notes_of(table)


def notes_of(table: RiskTable) -> Iterator[str]:
    """Give what the figures rest on, and what they do not say."""
    if table.too_wide:
        yield f"No guard band: {table.too_wide}."
    conforming = table.rules[0].risk.conforming
    yield f"Of all units {_percent(conforming)} % meet the limits, if their true values are normal with this mean and spread."
    if table.process.units is None:
        yield "Mean and spread were stated: the figures are as good as they are."
    else:
        yield (
            f"Mean and spread come from {counted(table.process.units, 'unit')}; in brackets, the smallest and the largest over the 95 % "
            "interval of the spread. What the mean itself may be off by is not in it."
        )
    yield "'Bad accepted' and 'good refused' are shares of all units made."
    if table.expanded == 0.0:
        yield "With U = 0 nothing is decided wrongly; no measurement is that good."


def as_plain(table: RiskTable, unit: str) -> dict[str, Any]:
    """Return the table as plain values, for JSON; shares are of all units, 0...1."""
    ratio = table.test_uncertainty_ratio
    return {
        "unit": unit,
        "unit_of_difference": unit_of_difference(unit),
        "lower_limit": table.limits.lower,
        "upper_limit": table.limits.upper,
        "mean": table.process.mean,
        "spread": table.process.spread,
        "units": table.process.units,
        "uncertainty": table.expanded,
        "test_uncertainty_ratio": ratio if math.isfinite(ratio) else None,
        "rules": [
            {
                "rule": rule.name,
                "guard_band": rule.guard_band,
                **_plain_risk(rule.risk),
                "within": _plain_range(rule.within),
            }
            for rule in table.rules
        ],
        "no_guard_band": table.too_wide,
        "notes": list(notes_of(table)),
    }


def _plain_risk(risk: GlobalRisk) -> dict[str, Any]:
    of_accepted = risk.false_accept_of_accepted
    return {
        **asdict(risk),
        "false_accept_of_accepted": of_accepted if math.isfinite(of_accepted) else None,
    }


def _plain_range(within: RiskRange | None) -> dict[str, Any]:
    """Return the smallest and the largest of each figure."""
    if within is None:
        return {}
    return {
        name: [end if math.isfinite(end) else None for end in ends] for name, ends in asdict(within).items()
    }


def _rows(rule: RuleRisk, widest: int, unit: str) -> Iterator[str]:
    figures, ends = _figures(rule, unit)
    yield _row(rule.name, figures, widest)
    if any(ends):
        yield _row("", ends, widest)


def _stacked(rule: RuleRisk, unit: str) -> Iterator[str]:
    yield rule.name
    for head, figure, ends in zip(_HEADS, *_figures(rule, unit), strict=True):
        yield f"  {head:<15} {figure:>9} {ends}".rstrip()


def _figures(rule: RuleRisk, unit: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what stands under each of `_HEADS`, and between what it lies; empty where nothing is known of that."""
    band = f"{rule.guard_band:.4g} {unit}".rstrip()
    figures = (band, *(f"{cell} %" for cell in _cells(rule.risk)))
    if (within := rule.within) is None:
        return figures, ("",) * len(figures)
    ends = (within.false_accept, within.false_reject, within.false_accept_of_accepted, within.refused)
    return figures, ("", *(f"[{_percent(low)} - {_percent(high)}]" for low, high in ends))


def _row(name: str, cells: Sequence[str], widest: int) -> str:
    return f"{name:<{widest}}" + "".join(f" {cell:>15}" for cell in cells)


def _cells(risk: GlobalRisk) -> tuple[str, str, str, str]:
    """Return shares in percent: bad accepted, good refused, both of all units; bad of those accepted; refused of all."""
    return (
        _percent(risk.false_accept),
        _percent(risk.false_reject),
        _percent(risk.false_accept_of_accepted),
        _percent(1.0 - risk.accepted),
    )


def _percent(share: float) -> str:
    if math.isnan(share):
        return "-"
    percent = 100.0 * max(0.0, share)
    return f"{percent:.2f}" if percent >= 0.1 or percent == 0.0 else f"{percent:.2g}"


def _limits(limits: Limits, unit: str) -> str:
    if limits.lower is None:
        return f"at most {_text(limits.upper or 0.0, unit)}"
    if limits.upper is None:
        return f"at least {_text(limits.lower, unit)}"
    return f"{limits.lower:.9g} to {_text(limits.upper, unit)}"


def _text(number: float, unit: str) -> str:
    return f"{number:.6g} {unit}".rstrip() if abs(number) < 1e4 else f"{number:.9g} {unit}".rstrip()
