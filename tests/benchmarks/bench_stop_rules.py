"""How often the stop rules of a batch stop a line that is in order, and how soon one that is not.

``python -m tests.benchmarks.bench_stop_rules`` prints the figures of DEVELOPERS.md; the seed is fixed.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterator

import numpy as np

from sequencer.statistics.stop_rules import StopLimits, UnitOutcome, find_stop

UNITS = 300
LINES = 200
Draw = Callable[[np.random.Generator, int], UnitOutcome]


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


def _stops(draw: Draw, limits: StopLimits, seed: int) -> Iterator[int]:
    """Yield the unit at which each of the lines stops first; UNITS where it does not."""
    for line in range(LINES):
        random = np.random.default_rng((seed, line))
        units: list[UnitOutcome] = []
        for number in range(UNITS):
            units.append(draw(random, number))
            if find_stop(units, limits) is not None:
                yield number
                break
        else:
            yield UNITS


def _told(name: str, limits: StopLimits, good: Draw, bad: Draw, at: int = 100) -> None:
    false = list(_stops(good, limits, 1))
    found = list(_stops(bad, limits, 2))
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


if __name__ == "__main__":
    main()
