"""What of a bench's own earlier results its control limits are made of."""

from __future__ import annotations

import pytest

from sequencer.analysis.own_history import OwnHistory, Past, expected
from sequencer.results.gauge_log import GaugeReading
from sequencer.uncertainty.decision import Limits
from tests.support.stored_rows import row


def test_a_bound_makes_no_control_limit_and_is_counted_as_left_out() -> None:
    """Of three results one is a bound only: two values count, and the third is said to be left out."""
    rows = [row(1.0, unit="dB"), row(1.1, unit="dB"), row(0.2, unit="dB", bound="at most")]
    past = OwnHistory().past_of(rows, ())
    assert past.values == (1.0, 1.1)
    assert past.left_out == {"a bound only": 1}


def test_a_bound_is_no_reading_of_a_study() -> None:
    """It counts as not measured, with the bound and its reason in the note."""
    bound = GaugeReading.of(row(18.5e-9, unit="W", uncertainty=4.8e-9, bound="at most", note="noise"))
    assert bound.value is None
    assert bound.note == "at most (18.5 ± 4.8) nW is a bound, and no reading; noise"
    seen = GaugeReading.of(row(18.5e-9, unit="W", uncertainty=4.8e-9, note="said of it"))
    assert (seen.value, seen.note) == (18.5e-9, "")


@pytest.mark.parametrize(("nominal", "off", "last_digit"), [(0.0, 0.01, 1.0), (13.2, 0.09, 0.1)])
def test_a_last_digit_coarser_than_what_is_stated_makes_no_control_limits(
    nominal: float, off: float, last_digit: float
) -> None:
    """An instrument that leaves noughts out writes 0 and 13.2: eight of them tell no limits, and it is held against what is stated."""
    stated = Limits.around(nominal, off)
    found = expected(
        nominal, "V", Past(values=(nominal,) * 8), least_sigma=last_digit / 12.0**0.5, stated=stated
    )
    assert found.limits == stated
    assert found.chart is None
    assert found.note.startswith("at its mean of 8 checks; no control limits are known yet")
    assert "±" not in found.note


def test_a_scatter_wider_than_what_is_stated_is_told_and_what_is_stated_holds() -> None:
    """It is a finding of its own that the values scatter so; they are judged by the narrower of the two."""
    values = (13.0, 13.4, 13.1, 13.3, 13.0, 13.4, 13.1, 13.3)
    stated = Limits.around(13.2, 0.09)
    found = expected(13.2, "V", Past(values=values), least_sigma=1e-4, stated=stated)
    assert found.limits == stated
    assert "; what is stated is narrower, and holds" in found.note
    assert "no control limits" not in found.note


def test_a_last_digit_finer_than_what_is_stated_makes_control_limits() -> None:
    """Eight equal readings to a millivolt: the limits are that digit's, within what is stated."""
    stated = Limits.around(13.2, 0.09)
    found = expected(13.2, "V", Past(values=(13.2,) * 8), least_sigma=1e-3 / 12.0**0.5, stated=stated)
    assert found.chart is not None
    assert found.limits.upper is not None
    assert 13.2 < found.limits.upper < 13.29
    assert "control limits ±" in found.note
