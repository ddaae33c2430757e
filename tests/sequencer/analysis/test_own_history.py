"""What of a bench's own earlier results its control limits are made of."""

from __future__ import annotations

from sequencer.analysis.own_history import OwnHistory
from sequencer.results.gauge_log import GaugeReading
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
