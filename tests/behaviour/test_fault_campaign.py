"""Faults at single operations of the VISA library in acceptance runs: the short form of tests/benchmarks/fault_campaign.py.

Which operations and kinds it takes goes by the day, so that all of them come round; what it prints on a failure has the command that makes
that run again. Every operation with every kind is the campaign itself, whose last figures stand in DEVELOPERS.md.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest

from tests.support.fault_judge import Came, came_to, wrong
from tests.support.fault_runs import Campaign
from tests.support.wire_faults import KINDS, Fault


def test_a_fault_at_any_operation_leaves_the_bench_safe_and_the_results_true() -> None:
    """Witness at zero, all off or named, nothing stated otherwise than undisturbed, status and messages right, the store whole.

    In a process of its own: this one may have threads, and what is forked from it could wait for one of them for ever.
    """
    ran = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.fault_campaign", "--short", "--jobs", "2"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert " 0 wrong" in ran.stdout, ran.stdout + ran.stderr


def test_a_copy_of_a_run_comes_to_what_the_run_comes_to_from_its_start() -> None:
    """A run that was copied in the middle and one that was made from its start with the same fault leave the same, to the last digit.

    Also the store, which in the copy was made of an empty one.
    """
    faults = [
        Fault(kind="time-out", number=120, stays=False),
        Fault(kind="garbage", number=1000, stays=True),
    ]
    script = (
        "import json, sys\n"
        "from tests.support.fault_runs import Campaign, state_folder\n"
        "from tests.support.wire_faults import Fault\n"
        "state_folder()\n"
        "campaign = Campaign('acceptance')\n"
        f"faults = [{', '.join(map(repr, faults))}]\n"
        "for one in faults:\n"  # before all that is made once for the copies
        "    made = campaign.from_start(one)\n"
        "    print(json.dumps([made.number, made.came, made.digest]))\n"
        "campaign.warm()\n"
        "campaign.run({one.number: [one] for one in faults}, lambda one: print(json.dumps([one.number, one.came, one.digest])))\n"
    )
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    lines = ran.stdout.splitlines()
    assert len(lines) == 4
    assert sorted(lines[:2]) == sorted(lines[2:])


def test_a_run_that_a_fault_spoilt_is_carried_on_to_what_it_would_have_been() -> None:
    """By `sequencer resume`, with the fault gone; and the judge tells it where something is missing after that."""
    campaign = Campaign("acceptance", resume=True)
    fault = Fault(kind="time-out", number=132, stays=True)
    assert campaign.from_start(fault).wrong == ()
    last = max(campaign.sound.kept)
    more = replace(campaign.sound.kept[last][0], quantity="what nobody measures")
    campaign.sound = replace(campaign.sound, kept={**campaign.sound.kept, last: [more]})
    assert any("what nobody measures" in one for one in campaign.from_start(fault).wrong)


@pytest.fixture(scope="module")
def campaign() -> Campaign:
    """The undisturbed run, and its operations."""
    return Campaign("acceptance", store=False)


def test_an_undisturbed_run_counts_as_one_and_a_lie_as_wrong(campaign: Campaign) -> None:
    """The judge is not blind: the same run is unchanged, one whose figure moved is wrong, and a unit left on is found."""
    sound = campaign.sound
    assert came_to(sound, sound) is Came.UNCHANGED
    assert wrong(sound, sound) == []
    index, results = next(
        (at, found) for at, found in sound.kept.items() if found[0].check == "carrier_power"
    )
    value = results[0].value
    assert value is not None
    moved = replace(sound, kept={**sound.kept, index: [replace(results[0], value=0.9 * value)]})
    assert len(wrong(sound, moved)) == 1
    sound.simulation.unit.set_supply_v(13.2)
    assert wrong(sound, sound) == [
        "left on, and the last line does not say 'the unit's supply could not be confirmed off'"
    ]


def test_every_kind_of_fault_can_be_at_some_operation(campaign: Campaign) -> None:
    """None of the kinds is a word only."""
    found = campaign.faults(list(KINDS), [False, True], range(1, len(campaign.operations) + 1))
    assert {fault.kind for faults in found.values() for fault in faults} == set(KINDS)
