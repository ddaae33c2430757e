"""What sequences need and benches have, as texts: shipped ones against the shipped bench, and each kind of lack in words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.fleet.needs import can_of, lacking, lacks_unit, needs_of
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import Wanted
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems

CAN = can_of(load_bench("bench"), confirmed=True)


def test_a_bench_has_what_its_plan_can_do() -> None:
    """The first choice refuses no sequence that the plan of the shipped bench can do, and lets nothing through that lacks an instrument."""
    bench = load_bench("bench")
    for name in ("quick-check", "fm-mobile-acceptance", "vhf-fm-handheld", "two-signal-receiver"):
        sequence = load_sequence(name)
        lacks = lacking(needs_of(sequence), CAN)
        try:
            make_plan(sequence, bench)
        except FileProblems:
            assert lacks, name
        else:
            assert lacks == [], name


@pytest.mark.parametrize(
    ("need", "said"),
    [
        ("role:recorder", "it has no recorder"),
        ("path:check", "its file describes no check path"),
        ("bench:North", "the job is for bench North"),
        ("generators:2", "it has 1 signal generator, and 2 are needed"),
        ("supply_v:24", "its supply gives at most 16 V, and 24 V are needed"),
        ("power_w:60", "its transmit path takes at most 50 W, and the unit has 60 W"),
        (
            "receive_hz:433000000-435000000",
            "the loss of its receive path is known for 1.71 MHz to 183.75 MHz, and 433 MHz to 435 MHz is needed",
        ),
        ("person", "a person must read a dial or move cables, and nobody stands at a worker"),
        ("colour:red", "colour is not known to this sequencer"),
    ],
)
def test_each_lack_is_said(need: str, said: str) -> None:
    """In the words of the bench file."""
    assert lacking([need], CAN) == [said]


@pytest.mark.parametrize(
    "need",
    [
        "role:supply",
        "path:receive",
        "bench:Demonstration bench",
        "generators:1",
        "supply_v:16",  # what it has at the most is enough
        "power_w:50",
        "receive_hz:1710000-183750000",
        "transmit_hz:27000000-27000000",
        "confirmed",
    ],
)
def test_what_is_there_is_not_missed(need: str) -> None:
    """Up to the last volt, watt and hertz that the bench file states."""
    assert lacking([need], CAN) == []


@pytest.mark.parametrize("need", ["receive_hz:1709999-27000000", "receive_hz:27000000-183750001"])
def test_one_hertz_beyond_a_path_s_table_is_too_far(need: str) -> None:
    """At either end."""
    (said,) = lacking([need], CAN)
    assert said.startswith("the loss of its receive path is known for 1.71 MHz to 183.75 MHz, and ")


def test_the_needs_of_a_sequence_are_what_its_file_says() -> None:
    """Channels 1, 20 and 40 are 26.965, 27.205 and 27.405 MHz (47 CFR 95.963); the rest stands in the sequence's file."""
    needs = needs_of(load_sequence("fm-mobile-acceptance"), bench="North")
    assert [one for one in needs if not one.startswith("role:")] == [
        "bench:North",
        "confirmed",
        "path:receive",
        "path:transmit",
        "power_w:4.5",
        "receive_hz:27205000-27205000",
        "supply_v:13.2",
        "transmit_hz:26965000-27405000",
    ]
    assert "role:voltmeter" in needs  # for its signal meter
    two = needs_of(load_sequence("two-signal-receiver"))
    assert "generators:2" in two
    assert not [one for one in two if one.startswith(("power_w", "transmit", "path:transmit", "bench"))]


def test_what_a_person_reads_needs_a_person(sequence_file: Callable[..., Path]) -> None:
    """And nothing else of the bench: no side, no path, no instrument."""
    dial = "{check: enter_reading, name: current, text: Read it, quantity: current, unit: mA, range: {min: 0 mA, max: 2 A}, accuracy: 2 %}"
    head = "sequence: Dial\nchannels: plans/cept-40.yaml\nmode: FM\nchecks:\n"
    assert needs_of(load_sequence(str(sequence_file(f"{head}  - {dial}\n")))) == ("person",)
    asks = "{check: confirm, text: volume at half}"
    assert needs_of(load_sequence(str(sequence_file(f"{head}  - {asks}\n")))) == ("confirmed",)


def test_a_unit_that_lies_elsewhere_is_said_with_what_is_there() -> None:
    """A bench that names its units gets no other; one that names none gets every unit. Six are named, of more how many there are."""
    bench = load_bench("bench")
    assert lacks_unit("A-9", CAN) == ""
    can = can_of(bench, confirmed=False, units=[f"A-{at}" for at in range(1, 7)])
    assert "confirmed" not in can
    assert lacks_unit("A-6", can) == ""
    assert lacks_unit("A-9", can) == "unit A-9 is not connected to it; it has A-1, A-2, A-3, A-4, A-5, A-6"
    more = can_of(bench, confirmed=False, units=[f"A-{at}" for at in range(1, 9)])
    assert lacks_unit("A-9", more).endswith("A-5, A-6 and 2 more")


def test_confirmations_need_a_word(bench_file: Callable[..., Path]) -> None:
    """A worker that was not told that all is set takes no sequence that asks."""
    needs = needs_of(load_sequence("quick-check", Wanted(serial="M40-0007")))
    can = can_of(load_bench(str(bench_file())), confirmed=False)
    assert lacking(needs, can) == [
        "its worker was not told that what the sequence asks to confirm is set (--confirmed)"
    ]


def test_a_path_without_a_table_is_said_once() -> None:
    """Not also that its frequencies are unknown."""
    without = [one for one in CAN if not one.startswith(("path:transmit", "transmit_hz", "power_w"))]
    assert lacking(["path:transmit", "transmit_hz:27000000-27000000"], without) == [
        "its file describes no transmit path"
    ]
