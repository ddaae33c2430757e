"""The proof by the tone that a unit hears: a generator that is off, one that stays on, one deaf to its level, and hiss."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import chain, repeat
from typing import Any, cast

import pytest

from drivers.faults import NotConfirmed, Refused, TimedOut, UnexpectedReply
from drivers.roles import Reading
from sequencer.safety.receiving.silence import Heard, set_lowest
from sim.clock import VirtualClock

TONE_HZ = 1000.0


class Generator:
    """As much of a generator as the proof uses; it offers nothing below ``lowest_dbm``."""

    name, address = "generator", "nowhere"

    def __init__(self, lowest_dbm: float) -> None:
        self.lowest_dbm = lowest_dbm
        self.output: list[bool] = []
        self.levels_dbm: list[float] = []

    def configure_output_enabled(self, enabled: bool) -> None:
        """Note what it was told."""
        self.output.append(enabled)

    def set_level_dbm(self, level_dbm: float) -> None:
        """Take a level, or refuse it."""
        if level_dbm < self.lowest_dbm:
            raise Refused("too low", instrument=self.name, address=self.address, next_move="")
        self.levels_dbm.append(level_dbm)


def heard_on(counts: Iterator[float | None], lowest_dbm: float = -137.0) -> tuple[Heard, Generator]:
    """Return the proof whose counter gives ``counts`` in turn."""
    generator = Generator(lowest_dbm)
    heard = Heard(
        TONE_HZ,
        generator=cast("Any", generator),
        set_level_dbm=generator.set_level_dbm,
        read_hz=lambda reading_s: Reading(number=next(counts)),
        read_sinad_db=lambda reading_s: Reading(number=30.0),
        clock=VirtualClock(),
    )
    return heard, generator


@pytest.mark.parametrize(
    "counts",
    [
        repeat(None),
        repeat(1700.0),
        chain([1000.0], repeat(None)),  # answered late, by one
        chain([1002.0, 995.0, 1004.0], repeat(1090.0)),  # hiss about the tone's own frequency
    ],
    ids=["nothing", "hiss", "late", "hiss_like_the_tone"],
)
def test_a_tone_that_goes_shows_the_generator_off(counts: Iterator[float | None]) -> None:
    """No count, another, a late one, and one that happens to be near: off, with the output switched off before."""
    heard, generator = heard_on(counts)
    assert heard.confirm_off() is True
    assert generator.output == [False]


def test_a_tone_that_stays_is_a_generator_that_is_on() -> None:
    """The tone within 1 % each time: not off, whatever reads back."""
    heard, _ = heard_on(repeat(1004.0))
    with pytest.raises(NotConfirmed, match="reads off, and the unit still hears its tone of 1004 Hz"):
        heard.confirm_off()


def test_a_counter_that_does_not_answer_shows_nothing() -> None:
    """A time-out is no proof of silence, and no fault of the generator's."""
    heard, _ = heard_on(iter(()))

    def late(reading_s: float) -> Reading:
        raise TimedOut("no answer", instrument="audio", address="nowhere", next_move="")

    heard._read_hz = late
    assert heard.confirm_off() is None


def test_a_tone_at_a_level_where_none_can_be_heard_is_a_level_that_does_not_count() -> None:
    """The lowest level that it offers is set, then the output is on: what is heard there, no clearer 15 dB above, is of another level."""
    heard, generator = heard_on(repeat(1000.0))
    with pytest.raises(
        UnexpectedReply, match=r"at -137 dBm, where none can be heard(.|\n)*does not follow the level"
    ):
        heard.confirm_level()
    assert (generator.levels_dbm, generator.output) == ([-137.0, -137.0, -122.0], [True])
    heard_on(repeat(None))[0].confirm_level()


def test_a_receiver_that_hears_the_lowest_level_and_a_higher_one_clearer_is_a_very_good_one() -> None:
    """10 dB at -137 dBm and 25 dB at -122 dBm: the tone follows the level, which counts."""
    heard, generator = heard_on(repeat(1000.0))
    heard._read_sinad_db = lambda reading_s: Reading(number=generator.levels_dbm[-1] + 147.0)
    heard.confirm_level()


@pytest.mark.parametrize(
    ("lowest_dbm", "used"), [(-145.0, -145.0), (-139.9, -138.0), (-135.0, -135.0), (-130.0, None)]
)
def test_only_a_level_that_no_receiver_hears_is_used(lowest_dbm: float, used: float | None) -> None:
    """A generator that ends at -130 dBm proves nothing by its level: a good receiver hears that."""
    generator = Generator(lowest_dbm)
    set_level: Callable[[float], object] = generator.set_level_dbm
    assert set_lowest(set_level) == used
    heard, other = heard_on(repeat(1000.0), lowest_dbm)
    if used is None:
        heard.confirm_level()
        assert other.output == []
