"""Confirm: which control a person has turned is a field of the file, and the results carry it; no words are read for it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.planning.load import load_sequence
from sequencer.problems import FileProblems
from sim.bench import SQUELCH_KNOB
from tests.support.rig import Nodding, Rig

HEAD = """
sequence: Squelch
channels: plans/cept-40.yaml
supply: 13.2 V
prepare: [{confirm: as the card on the bench says}]
checks:
"""
SQUELCH = "  - {check: squelch, channel: 20}\n"
POWER = "  - {check: carrier_power, channel: 20}\n"


def _knobs_after_each_confirmation(rig: Rig) -> list[float]:
    """Run it; return where the simulated unit's squelch stood after each confirmation."""
    turn, stood = rig.simulation.confirm_knobs, []

    def turned(**knobs: str) -> None:
        turn(**knobs)  # type: ignore[arg-type]
        stood.append(rig.simulation.unit.knobs.squelch)

    rig.simulation.confirm_knobs = turned  # type: ignore[method-assign, assignment]
    rig.run()
    return stood


def test_the_field_says_where_the_squelch_stands_whatever_the_text_says(
    make_rig: Callable[..., Rig],
) -> None:
    """`position` decides, also against words that used to."""
    checks = (
        "  - {check: confirm, text: gerade zugedreht, knob: squelch, position: just closed}\n"
        + POWER
        + "  - {check: confirm, text: 'not squelch just closed, but open', knob: squelch, position: open}\n"
        + SQUELCH
    )
    stood = _knobs_after_each_confirmation(make_rig(sequence=HEAD + checks))
    assert stood == [SQUELCH_KNOB["open"], SQUELCH_KNOB["just closed"], SQUELCH_KNOB["open"]]


def test_without_the_field_a_confirmation_sets_what_the_checks_after_it_need(
    make_rig: Callable[..., Rig],
) -> None:
    """A file from before the field keeps working: just closed before `squelch`, open before anything else."""
    checks = (
        POWER
        + "  - {check: confirm, text: squelch just closed}\n"
        + SQUELCH
        + "  - {check: confirm, text: squelch open again}\n"
        + POWER
    )
    stood = _knobs_after_each_confirmation(make_rig(sequence=HEAD + checks))
    assert stood == [SQUELCH_KNOB["open"], SQUELCH_KNOB["just closed"], SQUELCH_KNOB["open"]]


def test_results_carry_the_control_and_who_confirmed_it(make_rig: Callable[..., Rig]) -> None:
    """The control is the field's, the name is the confirmer's; a confirmation that names no control has none."""
    checks = "  - {check: confirm, text: t, knob: squelch, position: just closed}\n" + SQUELCH
    rig = make_rig(sequence=HEAD + checks)
    confirmer = Nodding()
    outcome = rig.run(confirmer)
    asked = outcome.results[-1].confirmations
    assert [(one.text, one.knob, one.who, one.how) for one in asked] == [
        ("as the card on the bench says", "", confirmer.who, confirmer.how),
        ("t", "squelch", confirmer.who, confirmer.how),
    ]


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ("knob: squelch", "knob is given without position"),
        ("position: open", "position is given without knob"),
        ("knob: volume, position: open", "squelch"),
        ("knob: squelch, position: tight", "just closed"),
    ],
)
def test_a_knob_without_its_position_and_an_unknown_one_are_refused(
    tmp_path: Path, settings: str, words: str
) -> None:
    """The complaint names the key and what is allowed."""
    file = tmp_path / "s.yaml"
    file.write_text(f"{HEAD}  - {{check: confirm, text: t, {settings}}}\n", encoding="utf-8")
    with pytest.raises(FileProblems, match=words):
        load_sequence(str(file))
