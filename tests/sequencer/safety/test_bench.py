"""The key's arithmetic against the witness's, which was written apart from it, and the words of the last line."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.faults import Refused
from sequencer.safety.control.key import Key, Ratings
from sequencer.safety.state import SafeState
from sim.clock import VirtualClock
from sim.wiring.witness import BenchState, Witness, WitnessLimits


class Line:
    """A push-to-talk line that takes its time, in front of a witness."""

    name, address, manual = "radio", "here", False
    ordered_s = None

    def __init__(self, clock: VirtualClock, witness: Witness, answer_s: float) -> None:
        self._clock = clock
        self._witness = witness
        self._answer_s = answer_s
        self.longest_s = self._since_s = 0.0

    def key(self) -> None:
        """Close it: at once, answered later."""
        self._since_s = self._clock.now_s()
        self._witness.observe(BenchState(keyed=True, position="transmit"))
        self._clock.wait_s(self._answer_s)

    def hold_key(self) -> None:
        """It is down already."""

    def unkey(self) -> None:
        """Open it: late, just before the answer."""
        self._clock.wait_s(self._answer_s)
        self._witness.observe(BenchState(position="transmit"))


class Nobody:
    """A keeper for whom all is well."""

    def confirm_transmit(self) -> None:
        """Agree."""

    def cut_off(self) -> None:
        """Never needed."""
        raise AssertionError("nothing is stuck")


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    max_key_time_s=st.floats(1.0, 60.0),
    key_duty=st.floats(0.05, 1.0),
    answer_share=st.floats(0.0, 0.1),
    steps=st.lists(
        st.one_of(
            st.tuples(st.just("step"), st.floats(0.0, 0.7)),
            st.tuples(st.just("rest"), st.just(0.0)),
            st.tuples(st.just("wait"), st.floats(0.0, 2.0)),
        ),
        min_size=1,
        max_size=40,
    ),
)
def test_any_use_of_the_key_keeps_the_witness_bucket(max_key_time_s, key_duty, answer_share, steps):
    """Whatever steps, rests and pauses come, the leaky bucket never overflows and no key-down is too long.

    Steps are shares of the longest key-down, and last as long as they may.
    """
    clock = VirtualClock()
    limits = WitnessLimits(key_time_s=max_key_time_s, key_duty_percent=100.0 * key_duty)
    witness = Witness(limits, clock)
    line, keeper = Line(clock, witness, answer_share * max_key_time_s), Nobody()
    ratings = Ratings(max_key_time_s=max_key_time_s, key_duty=key_duty)
    key = Key(line, clock, ratings, release_max_s=0.1 * max_key_time_s, keeper=keeper)  # type: ignore[arg-type]
    for kind, share in steps:
        seconds = share * max_key_time_s
        if kind == "step":
            key.allow(seconds)
            clock.wait_s(seconds)
        elif kind == "rest":
            key.release()
        elif not key.is_down:
            clock.wait_s(seconds)
    key.release()
    assert witness.hazards == ()


def test_a_rest_that_is_owed_from_before_is_kept():
    """A key that takes over from an earlier key-down rests first for what that one owes."""
    clock = VirtualClock()
    witness = Witness(WitnessLimits(), clock)
    keeper = Nobody()
    key = Key(Line(clock, witness, 0.0), clock, Ratings(), release_max_s=1.0, keeper=keeper, owed_rest_s=12.0)  # type: ignore[arg-type]
    clock.wait_s(5.0)
    key.press()
    assert clock.now_s() == 12.0
    key.release()


def test_a_key_whose_bench_is_gone_is_not_pressed():
    """A key kept beyond its bench is refused."""
    clock = VirtualClock()
    witness = Witness(WitnessLimits(), clock)
    key = Key(Line(clock, witness, 0.0), clock, Ratings(), release_max_s=1.0, keeper=Nobody())  # type: ignore[arg-type]
    with pytest.raises(Refused, match="the bench of this push-to-talk line is closed"):
        key.press()
    assert not key.is_down


def test_the_last_line_says_how_the_bench_was_left():
    """Confirmed, not confirmed and not touched are three different sentences; only the first is a confirmation."""
    safe, unsure, untouched = (
        SafeState(off=("PTT released", "generator off", "supply off")),
        SafeState(problems=("PTT reads pressed.",)),
        SafeState(touched=False),
    )
    assert [state.confirmed for state in (safe, unsure, untouched)] == [True, False, False]
    assert safe.last_line() == "The bench is safe: PTT released, generator off, supply off, each read back."
    assert unsure.last_line() == (
        "THE BENCH COULD NOT BE CONFIRMED SAFE: PTT reads pressed. Remove the supply from the unit now, "
        "then look at the generator and the push-to-talk (PTT) line."
    )
    assert "safe" not in untouched.last_line()


def test_the_advice_for_an_instrument_that_did_not_open_is_not_to_add_it_to_the_bench_file() -> None:
    """The bench file names it already; who is sent there looks in vain. The next move is to ask why it did not open."""
    from drivers.faults import Refused
    from sequencer.safety.control.side import present

    with pytest.raises(Refused) as caught:
        present(None, "power_meter")
    assert "sequencer identify" in caught.value.next_move
    assert "bench file" not in str(caught.value)
