"""A reading that lags: what it stands for, on a line that bends."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.search.protocol import Settling
from sequencer.search.settling import Lag, RawReading, settle_readings

TAU_S = 0.5
STEPS = st.lists(st.tuples(st.floats(-1.4, 1.4), st.floats(0.0, 1.0)), min_size=2, max_size=8)


def law(level_db: float) -> float:
    """Return the reading at rest: five times as steep below 0 dB as above."""
    return level_db if level_db < 0.0 else 0.2 * level_db


@given(steps=STEPS)
def test_what_has_not_come_to_rest_is_told_by_the_shares_of_the_levels_it_was_at(
    steps: list[tuple[float, float]],
) -> None:
    """For any law: readings made here by a first-order lag, averaged over 0.2 s, are the law at the levels told, by their shares.

    The lag is the textbook's: what is left of a step falls by e in each time constant. Traces below a hundredth may be missing.
    """
    taken, stands = [RawReading(0.7, 10.0, 0.2, law(0.7))], law(0.7)
    for level_db, wait_s in steps:
        left = (stands - law(level_db)) * math.exp(-wait_s / TAU_S)
        mean = law(level_db) + left * TAU_S / 0.2 * -math.expm1(-0.2 / TAU_S)
        stands = law(level_db) + left * math.exp(-0.2 / TAU_S)
        taken.append(RawReading(level_db, wait_s, 0.2, mean))
    settling = Settling(rise_s=TAU_S, fall_s=TAU_S, doubt=0.5)
    for reading, settled in list(zip(taken, settle_readings(taken, settling), strict=True))[1:]:
        foretold = sum(share * law(level_db) for level_db, share in settled.parts) + settled.rest
        if settled.parts:
            assert abs(foretold - reading.excess) < 0.05


def test_a_reading_on_its_way_stands_for_the_level_it_has_come_to() -> None:
    """One time constant after a step of 10 dB a momentary reading stands 10 / e dB short of it."""
    lag = Lag(Settling(rise_s=1.0, fall_s=2.0))
    lag.begin(-80.0, -80.0)
    assert lag.reached_db(-70.0, 1.0, 1e-6) == pytest.approx(-70.0 - 10.0 / math.e, abs=1e-4)
    assert lag.reached_db(-90.0, 1.0, 1e-6) == pytest.approx(-90.0 + 10.0 / math.sqrt(math.e), abs=1e-4)
