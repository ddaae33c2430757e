"""Signals stop a run once, and never cut short what must come to its end. Raised for real, in this process."""

from __future__ import annotations

import contextlib
import signal
import threading

import pytest

from sequencer.run import interrupt as signals
from sequencer.run.interrupt import Interrupted, stoppable

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="POSIX signals")


def test_the_first_signal_is_raised_and_later_ones_are_counted():
    """The first signal raises Interrupted with its name; the second and third raise nothing."""
    with stoppable() as stopper:
        with pytest.raises(Interrupted, match="stopped by SIGTERM"):
            signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGTERM)
        assert (stopper.requests, stopper.signal_name) == (3, "SIGTERM")


@pytest.mark.parametrize("times", [1, 2, 3])
def test_what_is_held_comes_to_its_end_and_is_stopped_afterwards_once(times):
    """Signals that come while held, however many, are raised once, when the held part is done."""
    done = []
    with stoppable() as stopper:

        def work():
            with stopper.held():
                for _ in range(times):
                    signal.raise_signal(signal.SIGINT)
                done.append("held part")

        with pytest.raises(Interrupted, match="SIGINT"):
            work()
        with stopper.held():
            done.append("once only")
    assert done == ["held part", "once only"]


def test_signals_of_a_nested_held_part_wait_for_the_outer_one():
    """Leaving an inner held part raises nothing while an outer one lasts."""
    done = []

    def work(stopper):
        with stopper.held():
            with stopper.held():
                signal.raise_signal(signal.SIGINT)
            done.append("outer")

    with stoppable() as stopper, pytest.raises(Interrupted):
        work(stopper)
    assert done == ["outer"]


def test_after_hold_signals_are_only_counted():
    """On the way out no signal is raised any more, the first one included."""
    with stoppable() as stopper:
        stopper.hold()
        signal.raise_signal(signal.SIGINT)
        assert stopper.requests == 1


def test_an_interruption_that_got_lost_is_raised_by_the_next_check():
    """Where somebody swallowed Interrupted, as a prompt library does, `check` raises it again; without a signal it does nothing."""
    with stoppable() as stopper:
        stopper.check()
        with contextlib.suppress(BaseException):
            signal.raise_signal(signal.SIGINT)
        with pytest.raises(Interrupted, match="SIGINT"):
            stopper.check()


def test_a_later_signal_is_raised_again_where_the_first_was_lost(monkeypatch):
    """Whoever presses Ctrl-C again because nothing happened is heard, unless the way out has begun."""
    monkeypatch.setattr(signals, "RAISED_AGAIN_S", 0.0)
    with stoppable() as stopper:
        with contextlib.suppress(BaseException):
            signal.raise_signal(signal.SIGINT)
        with pytest.raises(Interrupted):
            signal.raise_signal(signal.SIGINT)
        stopper.hold()
        signal.raise_signal(signal.SIGINT)
        assert stopper.requests == 3


def test_an_inner_stoppable_shares_the_outer_ones_stopper():
    """A run inside a command that is stoppable itself leaves the signals with the command, so that its last line is not cut short."""
    with stoppable() as outer:
        with stoppable() as inner:
            assert inner is outer
            inner.hold()
        signal.raise_signal(signal.SIGINT)
        assert outer.requests == 1


def test_the_signals_are_given_back():
    """Afterwards each signal is handled as it was before, Ctrl-Z included."""
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP)
    before = [signal.getsignal(number) for number in numbers]
    with stoppable():
        assert [signal.getsignal(number) for number in numbers] != before
        assert signal.getsignal(signal.SIGTSTP) == signal.SIG_IGN
    assert [signal.getsignal(number) for number in numbers] == before


def test_a_hang_up_that_was_ignored_stays_ignored():
    """Under nohup, which ignores SIGHUP (POSIX, nohup), the end of the terminal does not stop the run."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stoppable() as stopper:
            signal.raise_signal(signal.SIGHUP)
            assert stopper.requests == 0
    finally:
        signal.signal(signal.SIGHUP, before)


def test_outside_the_main_thread_signals_stay_as_they_are():
    """Python handles signals in the main thread only; elsewhere a stopper exists and nothing is touched."""
    seen = []

    def work():
        with stoppable() as stopper:
            seen.append((stopper.requests, signal.getsignal(signal.SIGINT)))

    before = signal.getsignal(signal.SIGINT)
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [(0, before)]
