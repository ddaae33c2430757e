"""Instruments that no figure known beforehand proves: said by `validate`, and beside each result."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sequencer.cli.validate import _plan_as_json, _unstated_lines
from sequencer.planning.doubts.unproved import unproved_channels, unproved_readings
from tests.support.rig import Rig

TEXT = """
sequence: One
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20}
  - {check: peak_deviation, channel: 20, drive: 100 mV, limit: {max: 2 kHz}}
  - {check: receive_distortion, channel: 20, level: -90 dBm}
"""


def _rig(make_rig: Any, folder: Path, role: str, lacking: str) -> Rig:
    profile = folder / f"{role}.yaml"
    profile.write_text(
        f"profile: mine\nrole: {role}\nlike: scpi-1999\nlacks: [{lacking}]\nsource: a test\n",
        encoding="utf-8",
    )
    rig: Rig = make_rig(sequence=TEXT, instruments={role: {"profile": str(profile)}})
    return rig


@pytest.mark.parametrize(
    ("role", "lacking", "check", "of"),
    [
        ("modulation_analyser", "carrier_frequency", "peak_deviation", "the carrier's frequency"),
        ("audio_analyser", "audio_frequency", "receive_distortion", "the loudspeaker's tone"),
    ],
)
def test_a_profile_without_the_figure_that_proves_it_is_told(
    make_rig: Any, tmp_path: Path, role: str, lacking: str, check: str, of: str
) -> None:
    """The plan names instrument, command and checks; each value read by it says so, and no other."""
    rig = _rig(make_rig, tmp_path, role, lacking)
    assert unproved_readings(rig.plan) == {f"{role}.{lacking}": (check,)}
    assert f"  {role}.{lacking}: {check}" in _unstated_lines(rig.plan)
    assert _plan_as_json(rig.plan, None)["unproved"] == {f"{role}.{lacking}": [check]}
    note = f"that {role} read this unit is not proved by {of}: its profile has no '{lacking}'"
    results = rig.run().results
    assert all(one.value is not None for one in results), [one.note for one in results]
    named = {one.quantity for one in results if note in one.note}
    assert named
    assert all(one.startswith(check.replace("_", " ")) for one in named)
    by_check = {one.quantity for one in results if one.quantity.startswith(check.replace("_", " "))}
    assert named == by_check


def test_nothing_is_said_where_it_is_there(make_rig: Any) -> None:
    """The shipped profiles have these readings."""
    rig = make_rig(sequence=TEXT)
    assert unproved_readings(rig.plan) == {}
    assert _plan_as_json(rig.plan, None)["unproved"] == {}
    assert not any("not proved" in one.note for one in rig.run().results)


def test_without_an_analyser_that_counts_the_channel_rests_on_the_radio(
    make_rig: Any, tmp_path: Path
) -> None:
    """The plan says of which checks; nothing is said where the carrier is counted."""
    rig = _rig(make_rig, tmp_path, "modulation_analyser", "carrier_frequency")
    assert unproved_channels(rig.plan) == {"radio": ("carrier_power", "peak_deviation")}
    assert "  radio: carrier_power, peak_deviation" in _unstated_lines(rig.plan)
    assert _plan_as_json(rig.plan, None)["unproved_channels"] == {
        "radio": ["carrier_power", "peak_deviation"]
    }
    assert unproved_channels(make_rig(sequence=TEXT).plan) == {}
