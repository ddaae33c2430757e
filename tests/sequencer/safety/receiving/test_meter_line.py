"""The proof by the signal meter's line, against a line of first order: who is blamed for what stands still, and who is not."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, cast

import pytest

from drivers.faults import NotConfirmed, UnexpectedReply
from drivers.roles import Reading
from sequencer.safety.receiving.meter_line import LineProof, MeterTimes
from sim.clock import VirtualClock

STRONG_DBM, LOWEST_DBM = -40.0, -137.0


@dataclass(frozen=True, slots=True)
class Named:
    """As much of an instrument as a fault names, and it has what it was set to."""

    name: str
    address: str = "nowhere"

    def confirm_settings(self) -> None:
        """Nothing was lost."""


@dataclass(slots=True)
class Line:
    """A meter's line that follows the level with a time constant; ``volts_of`` is where it comes to rest, level None for no signal."""

    clock: VirtualClock
    volts_of: Callable[[float | None], float]
    tau_s: float = 0.3
    shown_v: float = 0.0
    at_s: float = 0.0
    target_v: float = 0.0
    noise_v: float = 0.001
    count: int = 0
    answers: list[float] = field(default_factory=list)

    def give(self, level_dbm: float | None) -> None:
        """Let another level stand."""
        self.read_v()
        self.target_v = self.volts_of(level_dbm)

    def read_v(self) -> float:
        """Return the line's voltage now."""
        now_s = self.clock.now_s()
        self.shown_v += (self.target_v - self.shown_v) * (1.0 - math.exp(-(now_s - self.at_s) / self.tau_s))
        self.at_s = now_s
        self.count += 1
        return self.shown_v + self.noise_v * (self.count % 3 - 1)


def rising(level_dbm: float | None) -> float:
    """Return a line that rises with the signal."""
    return 0.1 if level_dbm is None else max(0.1, 0.1 + 0.03 * (level_dbm + 130.0))


def falling(level_dbm: float | None) -> float:
    """Return one that falls with it."""
    return 5.0 - rising(level_dbm)


def proof_of(
    line: Line, *, off_works: bool = True, level_works: bool = True, seen_v: float = 1.5, **more: Any
) -> LineProof:
    """Return the proof of a line behind a generator whose output switch, or level, may not work."""

    def strong() -> float:
        line.give(STRONG_DBM)
        return STRONG_DBM

    def off() -> None:
        line.give(None if off_works else STRONG_DBM)

    def lowest() -> float:
        line.give(None if off_works else LOWEST_DBM if level_works else STRONG_DBM)
        return LOWEST_DBM

    def read(reading_s: float) -> Reading:
        line.clock.wait_s(reading_s)
        return Reading(number=line.read_v())

    parts: dict[str, Any] = {
        "read": read,
        "strong": strong,
        "off": off,
        "lowest": lowest,
        "clock": line.clock,
        "times": MeterTimes(rise_s=0.3, fall_s=0.3),
        "generator": cast("Any", Named("generator")),
        "voltmeter": cast("Any", Named("voltmeter")),
        "seen_v": seen_v,
    }
    return LineProof(**parts | more)


@pytest.fixture
def clock() -> VirtualClock:
    """A clock of its own."""
    return VirtualClock()


@pytest.mark.parametrize("volts_of", [rising, falling])
@pytest.mark.parametrize("tau_s", [0.0001, 0.1, 0.3, 1.0, 3.0])
def test_a_line_that_follows_is_proved_however_slow_it_is_beside_what_was_said(
    clock: VirtualClock, volts_of: Callable[[float | None], float], tau_s: float
) -> None:
    """Said to follow within 0.3 s: one of 0.1 ms to 3 s, rising or falling with the signal, blames neither generator nor voltmeter."""
    proof_of(Line(clock, volts_of, tau_s)).confirm()


@pytest.mark.parametrize("volts_of", [rising, falling])
def test_a_generator_that_stays_on_is_told_by_its_level(
    clock: VirtualClock, volts_of: Callable[[float | None], float]
) -> None:
    """The line stands with the output off and goes with the level: the generator is on."""
    with pytest.raises(NotConfirmed, match=r"generator.*reads off.*goes to"):
        proof_of(Line(clock, volts_of), off_works=False).confirm()


def test_a_generator_that_stays_on_at_one_level_is_told_by_a_line_that_is_read_anew(
    clock: VirtualClock,
) -> None:
    """The line moved in the check and its readings still differ in the last digit: the voltmeter lives, and the generator is on."""
    with pytest.raises(NotConfirmed, match="stays there"):
        proof_of(Line(clock, rising), off_works=False, level_works=False).confirm()


def test_a_line_that_never_moved_blames_nobody_alone(clock: VirtualClock) -> None:
    """Whether generator, cable or voltmeter: all are named, and nothing is said to be on."""
    with pytest.raises(
        UnexpectedReply, match=r"the same with no signal and with a strong one(.|\n)*generator's output"
    ):
        proof_of(Line(clock, lambda level_dbm: 0.02), seen_v=0.001).confirm()


def test_a_frozen_voltmeter_is_told_as_one(clock: VirtualClock) -> None:
    """The same answer to the last digit, after a line that moved: the voltmeter's."""
    with pytest.raises(UnexpectedReply, match=r"^voltmeter"):
        proof_of(Line(clock, rising), read=lambda reading_s: Reading(number=2.25)).confirm()


@pytest.mark.parametrize("volts_of", [rising, falling])
def test_a_voltmeter_that_answers_late_is_told(
    clock: VirtualClock, volts_of: Callable[[float | None], float]
) -> None:
    """Each answer is the reading before: with the generator off it first gives the signal's voltage."""
    line = Line(clock, volts_of)
    line.give(-73.0)
    clock.wait_s(3.0)
    before = [line.read_v()]

    def late(reading_s: float) -> Reading:
        clock.wait_s(reading_s)
        before.append(line.read_v())
        return Reading(number=before[-2])

    with pytest.raises(UnexpectedReply, match="answers late, with the reading before"):
        proof_of(line, read=late).confirm()


def test_as_a_second_witness_noise_does_not_pass_for_a_signal(clock: VirtualClock) -> None:
    """What a receiver's own noise moves a line by, from reading to reading, is no sign of a signal; a line that follows is."""
    rng = iter([0.033, 0.020, 0.036, 0.020])  # as the simulated receiver's line reads without any signal
    assert not proof_of(Line(clock, rising), read=lambda reading_s: Reading(number=next(rng))).follows()
    assert proof_of(Line(clock, rising)).follows()
