"""What a curve search says of meters that do not follow the level, and of units that stop hearing when the signal is strong."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from sequencer.search.curve import CurveSearch
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.protocol import Ask, Crossing, Status, find_crossing
from tests.support.curve_priors import SINAD_PRIOR


def dead(mean: float, sd: float, seed: int, prior: CurvePrior | None) -> Crossing:
    """Search on a meter that shows noise about ``mean`` whatever the level: ``sd`` in 0.1 s, less in longer readings."""
    rng = np.random.default_rng([5, seed])

    def measure(ask: Ask) -> float:
        return mean + sd * float(rng.standard_normal()) * math.sqrt(0.1 / ask.reading_s)

    return find_crossing(CurveSearch(target=12.0, window_db=(-130.0, -20.0), prior=prior), measure)


@pytest.mark.parametrize(
    ("prior", "sd", "most_found"),
    [(SINAD_PRIOR, 0.3, 0), (SINAD_PRIOR, 1.0, 0), (SINAD_PRIOR, 2.0, 2), (None, 0.3, 1), (None, 2.0, 1)],
)
def test_a_dead_meter_of_any_noise_is_hardly_ever_found(
    prior: CurvePrior | None, sd: float, most_found: int
) -> None:
    """Of 80 dead meters about the target none is 'found', or hardly one where they scatter thrice as much as believed or nothing is."""
    ended = [dead(12.0, sd, seed, prior).status for seed in range(80)]
    assert sum(status in {Status.FOUND, Status.NOT_MONOTONIC} for status in ended) <= most_found
    assert ended.count(Status.NO_RESPONSE) >= 75


def overloading(seed: int) -> Crossing:
    """Search from a level where a receiver is overloaded: above -40 dBm its SINAD falls as fast as it rose."""
    rng = np.random.default_rng([6, seed])
    crossing_db = float(rng.uniform(-124.0, -108.0))

    def measure(ask: Ask) -> float:
        level_db = ask.level_db if ask.level_db <= -40.0 else crossing_db - (ask.level_db + 40.0)
        sinad_db = min(12.0 + 1.5 * (level_db - crossing_db), 38.0)
        return max(0.0, sinad_db + 0.5 * float(rng.standard_normal()) * math.sqrt(0.1 / ask.reading_s))

    search = CurveSearch(target=12.0, window_db=(-130.0, -20.0), prior=SINAD_PRIOR, start_db=-25.0)
    return find_crossing(search, measure)


def test_an_overloaded_receiver_is_told_with_its_crossing_in_twelve_readings() -> None:
    """Sixty receivers overloaded at the first level: all 'not monotonic', with the wrong levels named, 95 in 100 within 12 readings."""
    ended = [overloading(seed) for seed in range(60)]
    assert {one.status for one in ended} == {Status.NOT_MONOTONIC}
    assert all(one.warnings and "wrong side" in one.warnings[0] for one in ended)
    assert np.percentile([one.readings for one in ended], 95) <= 12


@pytest.mark.parametrize(("reading", "status"), [(0.4, Status.STUCK), (None, Status.NEVER_REACHED)])
def test_what_is_said_of_levels_and_readings_carries_their_units(
    reading: float | None, status: Status
) -> None:
    """A caller that searches from -130 to -20 dBm for a voltage is not told of decibels without a reference, nor of bare numbers."""
    search = CurveSearch(target=2.0, window_db=(-130.0, -20.0), level_unit="dBm", reading_unit="V")

    def measure(ask: Ask) -> float:
        return 1e-3 * (ask.level_db + 130.0) if reading is None else reading

    crossing = find_crossing(search, measure)
    assert crossing.status is status
    (said,) = crossing.warnings
    assert said.endswith(("-20 dBm", "-20.0 dBm"))
    assert re.search(r"\d V\b", said)
