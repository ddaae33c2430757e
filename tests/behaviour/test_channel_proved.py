"""What is read of a transmitter is of the channel it is said of only where its carrier was counted there: a radio's word is no proof."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sequencer.results.model import Result
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.behaviour.test_disobedient_instruments import HEAD
from tests.support.rig import Rig
from tests.support.senseless import Spoiler

POWER = "  - {check: carrier_power, channel: [19, 20], limit: {min: 1 W, max: 9 W}}\n"
FREQUENCY = "  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}\n"
DEVIATION = "  - {check: peak_deviation, channel: 20, drive: 100 mV, limit: {max: 2.5 kHz}}\n"
CURRENT = "  - {check: supply_current, channel: 20, transmit: {max: 4 A}}\n"
CHANNEL_20_HZ = 27.205e6  # the next one lies 10 kHz below: ETSI EN 300 433, channel table
Lying = Callable[[str], Rig]


@pytest.fixture
def lying(make_rig: Any) -> Lying:
    """Return a rig whose radio says channel 20 and stays on 19; its synthesizer counts as it stands."""

    def rig_of(checks: str) -> Rig:
        rig: Rig = make_rig(serial="M40-0007", sequence=HEAD + checks)
        radio, said = rig.device("radio"), [0]
        told, own = radio.set_channel, radio.read_channel

        def stays(channel: int) -> None:
            said[0] = channel
            told(19 if channel == 20 else channel)

        radio.set_channel = stays
        radio.read_channel = lambda: said[0] or own()
        return rig

    return rig_of


def _on_20(outcome: RunOutcome) -> list[Result]:
    return [one for one in outcome.results if one.channel == 20 and not one.quantity.endswith("receive")]


@pytest.mark.parametrize("checks", [POWER, FREQUENCY + POWER, POWER + FREQUENCY, DEVIATION, CURRENT])
def test_a_channel_that_the_radio_only_says_passes_nothing(lying: Lying, checks: str) -> None:
    """Power, deviation and current of channel 19 were given as those of 20, also after the run itself had counted the carrier there."""
    outcome = lying(checks).run()
    found = {one.quantity: one.decision for one in _on_20(outcome)}
    error = found.pop("frequency error", Decision.FAIL)
    assert error is Decision.FAIL  # where the carrier is, is for the check of the carrier to say
    assert set(found.values()) <= {Decision.NOT_MEASURED}
    for one in _on_20(outcome):
        assert (
            one.quantity == "frequency error" or "nothing shows that the unit is on the channel" in one.note
        )
    passed = [one.decision for one in outcome.results if one.channel == 19]
    assert set(passed) <= {Decision.PASS}


def test_a_carrier_is_counted_once_where_the_channel_is_right(make_rig: Any) -> None:
    """One count in the first key-down of a channel, none in the next: no more than that is paid for it."""
    once = make_rig(serial="M40-0007", sequence=HEAD + POWER.replace("[19, 20]", "20"))
    assert once.run().status is ExitStatus.PASSED
    counts = [one for one in once.sent("modulation_analyser") if "READ" in one]
    twice = make_rig(serial="M40-0007", sequence=HEAD + POWER.replace("[19, 20]", "20") + CURRENT)
    twice.run()
    assert len(counts) == len([one for one in twice.sent("modulation_analyser") if "READ" in one]) == 1


def test_an_analyser_that_counts_nothing_costs_no_power(make_rig: Any) -> None:
    """The power does not rest on it; that the channel rests on the radio's word alone is said."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + POWER.replace("[19, 20]", "20"))
    rig.device("modulation_analyser").faults = Spoiler("READ", lambda *_: b"9.91E37", first=0, times=None)
    (found,) = rig.run().results
    assert found.decision is Decision.PASS
    assert "rests on the radio's word" in found.note


def test_a_carrier_a_channel_off_is_counted_in_a_second_key_down(make_rig: Any) -> None:
    """As a sweep does: an analyser that was on its neighbour in the first key-down alone fails no unit, and the note says so."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + FREQUENCY)

    def neighbour(answer: bytes, number: int, before: list[bytes]) -> bytes:
        return f"{float(answer) + 10e3:.9E}".encode()

    rig.device("modulation_analyser").faults = Spoiler("READ", neighbour, first=0, times=4)
    (found,) = rig.run().results
    assert found.decision is Decision.PASS
    assert abs(found.value) < 1e3
    assert "measured again, because at first: frequency error" in found.note
    rig = rig.again()
    rig.device("modulation_analyser").faults = Spoiler("READ", neighbour, first=0, times=200)
    (found,) = rig.run().results
    assert found.decision is Decision.FAIL
