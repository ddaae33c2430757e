"""How often the stop rules of a batch stop a line that is in order, and how soon one that is not.

``python -m tests.benchmarks.bench_stop_rules`` prints the figures of DEVELOPERS.md; the seed is fixed.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np

from sequencer.statistics.stop_rules import LATEST, StopLimits, UnitOutcome, find_stop, scaled_by_first

UNITS = 300
LINES = 200
Draw = Callable[[np.random.Generator, int], UnitOutcome]
Stops = Callable[[Sequence[UnitOutcome]], bool]


def _unit(number: int, failed: bool, value: float) -> UnitOutcome:
    return UnitOutcome(
        serial=f"U{number}", passed=not failed, failed={"power": failed}, values={"power": value}
    )


def _line(failing: float, *, shift: float = 0.0, later: float | None = None, at: int = 100) -> Draw:
    """Return a line: its share failing (``later`` from the unit ``at`` on), and a shift of its values from there, in sigma."""

    def draw(random: np.random.Generator, number: int) -> UnitOutcome:
        has_changed = number >= at
        share = later if later is not None and has_changed else failing
        value = random.normal() + (shift if has_changed else 0.0)
        return _unit(number, bool(random.random() < share), float(value))

    return draw


def _by_limits(units: Sequence[UnitOutcome], limits: StopLimits) -> bool:
    return find_stop(units, limits) is not None


def _by_run_rules(units: Sequence[UnitOutcome], *, after: int, beyond: tuple[int, int]) -> bool:
    """Say whether run rules would stop it, which are not built in: ``beyond`` (so many of so many) beyond 3 sigma, or nine on one side.

    Centre and scatter are those that the chart has: of the units before the latest.
    """
    values = [one.values["power"] for one in units]
    first = max(after, len(values) - LATEST)
    if len(values) <= after or (scaled := scaled_by_first(values, first)) is None:
        return False
    fewest, of = beyond
    for side in (1.0, -1.0):
        if sum(side * one > 3.0 for one in scaled[-of:]) >= fewest:
            return True
        if len(scaled) >= 9 and all(side * one > 0.0 for one in scaled[-9:]):
            return True
    return False


def _stops(draw: Draw, stops: Stops, seed: int) -> Iterator[int]:
    """Yield the unit at which each of the lines stops first; UNITS where it does not."""
    for line in range(LINES):
        random = np.random.default_rng((seed, line))
        units: list[UnitOutcome] = []
        for number in range(UNITS):
            units.append(draw(random, number))
            if stops(units):
                yield number
                break
        else:
            yield UNITS


def _told(name: str, rules: StopLimits | Stops, good: Draw, bad: Draw, at: int = 100) -> None:
    stops = partial(_by_limits, limits=rules) if isinstance(rules, StopLimits) else rules
    false = list(_stops(good, stops, 1))
    found = list(_stops(bad, stops, 2))
    early = sum(one < UNITS for one in false) / LINES
    after = [one - at for one in found if one >= at]
    seen = [one for one in after if one < UNITS - at]
    median = statistics.median(one + 1 for one in seen) if seen else float("nan")
    print(
        f"{name:<62} good line stopped within {UNITS} units: {100 * early:5.1f} %;  "
        f"change at {at} found: {100 * len(seen) / max(1, len(after)):5.1f} %, after {median:.0f} units (median)"
    )


def main() -> None:
    """Print the table."""
    for row in (2, 3, 4):
        _told(
            f"{row} failures in a row; 5 % failing, then 60 %",
            StopLimits(failures_in_a_row=row),
            _line(0.05),
            _line(0.05, later=0.6),
        )
    _told(
        "yield below 80 % after 10; 5 % failing, then 60 %",
        StopLimits(yield_below=0.8),
        _line(0.05),
        _line(0.05, later=0.6),
    )
    _told(
        "yield below 80 % after 10; 15 % failing, then 60 %",
        StopLimits(yield_below=0.8),
        _line(0.15),
        _line(0.15, later=0.6),
    )
    for after in (25, 50):
        for shift in (1.0, 2.0, 4.0):
            _told(
                f"chart after {after}; values shifted by {shift:g} sigma",
                StopLimits(chart_after=after),
                _line(0.0),
                _line(0.0, shift=shift),
            )
    for after in (25, 50):
        for beyond in ((2, 3), (1, 1)):
            _told(
                f"{beyond[0]} of {beyond[1]} beyond 3 sigma or 9 on one side, after {after}; 2 sigma",
                partial(_by_run_rules, after=after, beyond=beyond),
                _line(0.0),
                _line(0.0, shift=2.0),
            )


if __name__ == "__main__":
    main()
