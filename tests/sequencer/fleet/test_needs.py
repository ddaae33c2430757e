"""What sequences need and benches have, as texts: shipped ones against the shipped bench, and each kind of lack in words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.fleet.needs import can_of, lacking, needs_of
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.model_file import Wanted
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
