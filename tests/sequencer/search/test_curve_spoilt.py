"""A wanted signal that another one spoils: the curves against plain arithmetic of powers, and searches on made-up receivers."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_family import Family, ratio_family
from sequencer.search.curve_spoilt import Room, fm_spoilt_family, product_family, ratio_spoilt_family
from sequencer.search.protocol import Ask, Crossing, Status, find_crossing
from tests.support.ssb_receiver import Receiver

ROOM = Room(above_db=3.0, sd_db=0.2, slope=0.95, slope_sd=0.1)
USUAL = Expected(level_db=-55.0, sd_db=8.0)
WINDOW_DB = (-130.0, -1.0)
SINGLE = ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07)


def spoilt(alone_db: float, room: Room | None = ROOM) -> Family:
    """Return what is believed of an SSB receiver."""
    return ratio_spoilt_family(
        slope=1.0, slope_sd=0.25, relative=0.07, target_db=12.0, alone_db=round(alone_db, 1), room=room
    )


def noise(sinad_db: float) -> float:
    """Return noise over signal at a SINAD, which is (S+N)/N."""
    return 1 / (10 ** (sinad_db / 10) - 1)


@pytest.mark.parametrize("order", [1, 3])
@pytest.mark.parametrize("room", [None, ROOM])
def test_what_spoils_adds_to_the_noise(order: int, room: Room | None) -> None:
    """Of a receiver whose ratio rises dB for dB: one curve is own noise and the other signal's, which makes up the rest at x = 0."""
    family, alone_db = spoilt(15.2, room), 15.2
    x_db = family.x_db
    own, all_of_it = noise(alone_db), noise(12.0)
    summed = own + (all_of_it - own) * 10 ** (order * x_db / 10)
    sinad_db = 10 * np.log10(1 + 1 / summed)
    off_db = np.abs(family.excess - (12.0 - sinad_db)).max(axis=1)
    assert off_db.min() < 0.06
    assert family.falls
    assert np.all(np.diff(family.excess, axis=1) > -1e-4)


def test_every_curve_of_an_fm_receiver_begins_at_what_was_read_alone_and_meets_the_target() -> None:
    """40 dB below the crossing nothing is spoilt; clicks come oftener the more it is."""
    family = fm_spoilt_family(
        deviation_hz=1200.0, deemphasis=True, tone_hz=1000.0, target_db=12.0, alone_db=16.0, room=ROOM
    )
    assert family.excess[:, 0] == pytest.approx(np.full(len(family), -4.0), abs=0.1)
    assert family.excess[:, 400] == pytest.approx(np.zeros(len(family)), abs=0.05)
    assert family.clicks is not None
    assert np.all(family.clicks[2][:, 440] > family.clicks[2][:, 360])


def test_a_wanted_signal_found_steep_makes_steep_curves_likely() -> None:
    """The sensitivity's slope speaks for receivers of that slope: the mean slope of the fall goes with it."""

    def mean_slope(slope: float) -> float:
        family = fm_spoilt_family(
            deviation_hz=1200.0,
            deemphasis=False,
            tone_hz=1000.0,
            target_db=12.0,
            alone_db=round(12.0 + 3.0 * slope, 1),
            room=replace(ROOM, slope=slope),
        )
        return float(np.exp(family.log_weight) @ family.slope[:, 400])

    assert mean_slope(1.6) > 1.2 * mean_slope(1.0)


def test_a_product_rises_by_its_order() -> None:
    """What one signal does over 6 dB, a product of third order does over 2; nothing beyond the table's end is made up."""
    family = product_family(SINGLE, 3.0)
    assert family.excess[:, 400 + 20] == pytest.approx(SINGLE.excess[:, 400 + 60], abs=1e-3)
    assert family.slope[:, 400] == pytest.approx(3.0 * SINGLE.slope[:, 400], rel=1e-3)
    assert family.excess[:, 800] == pytest.approx(SINGLE.excess[:, 800], abs=1e-3)


class Spoilt:
    """A made-up receiver with a wanted signal 3 dB above its sensitivity; levels are those of what spoils."""

    def __init__(self, truth_db: float, seed: int, *, order: float = 1.0, lapses: float = 0.0) -> None:
        self.truth_db, self.order = truth_db, order
        self.unit = Receiver(-120.0, seed, lapses=lapses)
        sound = Receiver(-120.0, 1000 + seed)
        self.alone_db = float(
            np.mean([sound.measure(Ask(level_db=-117.0, wait_s=0.0, reading_s=0.25)) for _ in range(4)])
        )

    def measure(self, ask: Ask) -> float:
        """Return SINAD beside the other signal, whose noise at the crossing is as much as 3 dB more of the wanted signal make up for."""
        more = (10**0.3 - 1) * 10 ** (self.order * (ask.level_db - self.truth_db) / 10)
        return self.unit.measure(replace(ask, level_db=-117.0 - 10 * math.log10(1 + more)))


def find(alone_db: float, measure: Callable[[Ask], float]) -> Crossing:
    """Search as the checks do."""
    search = CurveSearch(
        target=12.0,
        window_db=WINDOW_DB,
        rising=False,
        prior=spoilt(alone_db),
        expected=USUAL,
        start_db=USUAL.level_db,
        reading_range=(0.0, 60.0),
    )
    return find_crossing(search, measure)


@pytest.mark.parametrize("order", [1.0, 2.5])
def test_the_level_that_spoils_is_found_in_few_readings(order: float) -> None:
    """Of 40 within 15 dB of where it is expected all are found, 36 intervals at least hold it, in six readings or fewer in the median."""
    held, readings = 0, []
    for seed in range(40):
        unit = Spoilt(-70.0 + 0.75 * seed, seed, order=order)
        found = find(unit.alone_db, unit.measure)
        assert found.status is Status.FOUND, found.warnings
        assert found.level_db is not None
        assert found.slope is not None
        assert found.slope < 0.0
        held += abs(found.level_db - unit.truth_db) <= found.half_width_db
        readings.append(found.readings)
    assert held >= 36
    assert np.median(readings) <= 6


def test_the_response_is_proved_as_soon_as_the_crossing_is_roughly_known() -> None:
    """Of 30 most read once well above the crossing, and no further proof; half do so before the last reading near it: it serves twice."""
    early = once = 0
    for seed in range(30):
        unit = Spoilt(-62.0 + 0.5 * seed, seed)
        found = find(unit.alone_db, unit.measure)
        purposes = [one.ask.purpose for one in found.history]
        for reading in found.history:
            if reading.ask.purpose == "proof":
                assert abs(reading.ask.level_db - unit.truth_db) > 3.0
        once += purposes.count("proof") == 1
        early += purposes.count("proof") == 1 and purposes[-1] == "near"
    assert once >= 20
    assert early >= 15


def test_a_proof_beyond_the_highest_level_is_read_below_the_crossing() -> None:
    """A crossing 4 dB below the highest level allowed is found, by a proof on the side that may be read."""
    for seed in range(5):
        unit = Spoilt(WINDOW_DB[1] - 4.0, seed)
        found = find(unit.alone_db, unit.measure)
        assert found.found
        assert max(one.ask.level_db for one in found.history) <= WINDOW_DB[1]


def test_what_follows_nothing_is_not_found() -> None:
    """SINAD of 12 dB on average, scattering by 0.5 to 3 dB whatever the interferer does: of 200 one at the most has a level, by chance."""
    false = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        found = find(
            15.0, lambda _, rng=rng, seed=seed: max(0.0, float(rng.normal(12.0, 0.5 + seed % 6 / 2)))
        )  # type: ignore[misc]
        false += found.found
    assert false <= 1


def test_an_interferer_that_never_spoils_is_said_to_be_none() -> None:
    """Nothing of it is heard up to the highest level: not reached, or without effect, in words; the wanted signal that lapses is named."""
    unit = Spoilt(40.0, 1)
    never = find(unit.alone_db, unit.measure)
    assert never.status in {Status.NEVER_REACHED, Status.NO_RESPONSE}
    ended = [find(15.0, Spoilt(-55.0, seed, lapses=0.2).measure) for seed in range(30)]
    assert Status.NO_RESPONSE not in {one.status for one in ended}
    assert any(one.status is Status.INTERMITTENT for one in ended)
