"""The end of a run: what did not meet its limits, with value, limit and by how much."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import pytest
from rich.console import Console

from sequencer.cli.screens.summary import MOST_NAMED, not_met_table, not_met_text, verdict_line
from sequencer.results.model import Result
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.safety.state import SafeState
from sequencer.uncertainty.decision import GUARDED, Decision
from tests.support.stored_rows import row


def outcome(status: ExitStatus, *results: Result, problems: tuple[str, ...] = ()) -> RunOutcome:
    """Return how a run went that left these results."""
    return RunOutcome(status=status, results=results, safe_state=SafeState(), bench_s=1.0, problems=problems)


PASSED = row(-120.0, uncertainty=1.0, upper_limit=-113.0)
NEAR = row(-113.5, uncertainty=1.0, upper_limit=-113.0, rule=GUARDED)
UNKNOWN = row(-120.0, upper_limit=-113.0, rule=GUARDED)
FAILED = row(-105.6, uncertainty=1.0, upper_limit=-113.0)
MISSING = row(None, upper_limit=-113.0, note="never reached after 9 readings")


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({}, "sensitivity, 12 dB SINAD, channel 20: (-105.6 ± 1.0) dBm, 7.4 dB above the limit of -113.0 dBm"),
        (
            {"value": 2.29, "unit": "W", "uncertainty": 0.15, "lower_limit": 3.0, "upper_limit": 4.0, "quantity": "carrier power"},
            "carrier power, channel 20: (2.29 ± 0.15) W, 710 mW below the limit of 3 W",
        ),
        (
            {"value": -725.0, "unit": "Hz", "uncertainty": 2.7, "lower_limit": -600.0, "upper_limit": 600.0, "quantity": "frequency error"},
            "frequency error, channel 20: (-725.0 ± 2.7) Hz, 120 Hz below the limit of -600 Hz",
        ),
        (
            {"value": 3.0, "unit": "entries", "uncertainty": 0.0, "upper_limit": 0.0, "quantity": "entries wrong", "channel": None},
            "entries wrong: 3 entries, at most 0 entries",
        ),
        ({"value": None, "note": "never reached"}, "sensitivity, 12 dB SINAD, channel 20: never reached"),
        ({"value": 0.0, "unit": "", "quantity": "squelch open", "channel": None, "note": "no"}, "squelch open: no, no"),
    ],
)  # fmt: skip
def test_what_failed_is_named_with_value_limit_and_by_how_much(changes: dict[str, Any], text: str) -> None:
    """On either side of the limits, for a count, an answer, and where there is no reading at all."""
    assert not_met_text(replace(FAILED, **changes)) == text


@pytest.mark.parametrize(
    ("found", "text"),
    [
        (outcome(ExitStatus.PASSED, PASSED), "All limits met."),
        (
            outcome(ExitStatus.PASSED, PASSED, UNKNOWN, UNKNOWN),
            "All limits met, 2 of 3 only conditionally (uncertainty not stated).",
        ),
        (
            outcome(ExitStatus.PASSED, PASSED, UNKNOWN, NEAR),
            "All limits met, 2 of 3 only conditionally (1 uncertainty not stated, 1 inside the guard band).",
        ),
        (
            outcome(ExitStatus.FAILED, FAILED, NEAR),
            "1 of 2 limits not met. 1 of 2 met only conditionally (inside the guard band).",
        ),
        (outcome(ExitStatus.FAILED, PASSED, FAILED), "1 of 2 limits not met."),
        (
            outcome(ExitStatus.BENCH_FAILED, FAILED, MISSING, problems=("x",)),
            "1 of 2 limits not met. The bench failed; see below. 1 result not measured.",
        ),
        (outcome(ExitStatus.FAILED, MISSING, MISSING), "2 results not measured."),
        (outcome(ExitStatus.INTERRUPTED, PASSED), "Interrupted; what was measured is kept."),
    ],
)
def test_the_verdict_counts(found: RunOutcome, text: str) -> None:
    """How many of how many limits were not met, what was not measured, and whether the bench failed."""
    assert verdict_line(found) == text


@pytest.mark.parametrize("width", [40, 60, 80, 132])
def test_the_list_fits_every_width(width: int) -> None:
    """Each line names decision and quantity, is broken at words only, and no line runs over."""
    file = io.StringIO()
    Console(file=file, width=width).print(not_met_table([PASSED, FAILED, MISSING], width=width))
    shown = file.getvalue()
    assert all(len(line.rstrip()) <= width for line in shown.splitlines())
    words = " ".join(shown.split())
    assert "fail sensitivity," in words.replace("not measured", "")
    assert "never" in words
    assert "-113.0 dBm" in shown  # a number stays beside its unit
    assert "7.4 dB" in shown
    assert "-120" not in words


def test_many_are_counted() -> None:
    """More than a screenful is cut, and says how many more the table has; with nothing wrong there is no list."""
    file = io.StringIO()
    Console(file=file, width=80).print(not_met_table([FAILED] * (MOST_NAMED + 5)))
    assert file.getvalue().count("(-105.6 ± 1.0) dBm") == MOST_NAMED
    assert "and 5 more, in the table above" in file.getvalue()
    assert not_met_table([PASSED, replace(PASSED, decision=Decision.NO_LIMIT)]) is None


def test_a_run_without_any_limit_met_none() -> None:
    """What has no limit passed nothing: the last line says so, and beside one figure with a limit it speaks of limits."""
    free = row(-120.0, uncertainty=1.0)
    assert verdict_line(outcome(ExitStatus.PASSED, free)) == "No result has a limit."
    assert verdict_line(outcome(ExitStatus.PASSED, free, PASSED)) == "All limits met."
