"""The scale of a chart: round values that can be told apart, in the words of the reports."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis.history import SIMULATED_NOTE, histories
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from sequencer.watch.drawing import history_chart, tick_values
from sequencer.watch.units import unit_page
from tests.support.stored_results import RUN, a_result


@given(st.floats(-1e9, 1e9), st.floats(1e-3, 1e9))
def test_ticks_are_few_round_and_within(low: float, span: float) -> None:
    """One to five of them, evenly apart by 1, 2 or 5 of a decade, none beyond the ends."""
    found = tick_values(low, low + span)
    assert 1 <= len(found) <= 5
    assert low - 1e-6 * span <= found[0] <= found[-1] <= low + span * (1 + 1e-6)
    for one, two in pairwise(found):
        assert f"{two - one:.0e}"[0] in "125"


@pytest.mark.parametrize(
    ("unit", "values", "shown"),
    [
        ("Hz", (-120.0, 40.0), ["\u2212100 Hz", "\u221250 Hz", "0 Hz", "50 Hz"]),
        ("dBm", (-120.0, -118.0), None),
        ("dBm", (-120.00, -119.99), None),
        ("W", (4.00001, 4.00002), None),
    ],
)
def test_a_chart_without_a_limit_can_be_read(
    place: StorePlace, unit: str, values: tuple[float, ...], shown: list[str] | None
) -> None:
    """Its axis has at least two labels, all different, each with its unit; the banner's words are not repeated under it."""
    with Store.open(place) as store:
        for at, value in enumerate(values):
            when = datetime(2027, 1, 2, tzinfo=UTC) + timedelta(days=at)
            store.write_run(replace(RUN, run=f"r{at}", time=when))
            row = a_result(
                run=f"r{at}", time=when, value=value, unit=unit, uncertainty=None, upper_limit=None
            )
            store.write_check(f"r{at}", 0, [row], [])
        page = unit_page(store, b"serial=M40-0007")
        (history,) = histories(store.read_results("r0") + store.read_results("r1"))
    labels = re.findall(r'<text class="tick"[^>]*>([^<]*)<', str(history_chart(history)))
    assert len(labels) == len(set(labels)) >= 2
    assert all(label.endswith(unit) for label in labels)
    if shown is not None:
        assert labels == shown
    (one,) = page["histories"]
    assert SIMULATED_NOTE in history.notes
    assert SIMULATED_NOTE not in one.notes
    assert page["simulated"]
