"""A modulation analyser whose intervals, bandwidths and filters go in steps: what it made is reckoned with, or both values are told."""

from __future__ import annotations

from typing import Any

import pytest

from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig

HEAD = """
sequence: One
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_power: 12 W
checks:
"""
ANALYSER = "modulation_analyser"
SAMPLED = "  - {check: peak_deviation, channel: 20, drive: 10 mV, tone: [1 kHz], read: samples, limit: {max: 2 kHz}}\n"
SSB = "  - {check: ssb_suppression, channel: 20, mode: USB, drive: 5 mV, carrier: {min: 40 dB}, sideband: {min: 40 dB}}\n"
RESIDUAL = "  - {check: residual_modulation, channel: 20, limit: {min: 30 dB}}\n"
DISTORTION = "  - {check: transmit_distortion, channel: 20, drive: 10 mV, limit: {max: 10 %}}\n"


class _InSteps(dict[str, Any]):
    """The settings of an instrument that has only some values of one of them, and takes the nearest without a word."""

    def __init__(self, settings: dict[str, Any], name: str, offered: tuple[float, ...]) -> None:
        super().__init__(settings)
        self._name, self._offered = name, offered

    def __setitem__(self, name: str, value: Any) -> None:
        if name == self._name:
            value = min(self._offered, key=lambda one: abs(one - value))
        super().__setitem__(name, value)


def _rig(make_rig: Any, checks: str, name: str = "", *offered: float) -> Rig:
    rig: Rig = make_rig(serial="MX40-0101", sequence=HEAD + checks)
    if offered:
        device = rig.device(ANALYSER)
        assert name in device.settings
        device.settings = _InSteps(device.settings, name, offered)
    return rig


def _agree(found: list[Result], sound: list[Result]) -> None:
    for one, true in zip(found, sound, strict=True):
        assert one.value is not None, one.note
        assert true.value is not None
        assert one.uncertainty is not None
        assert abs(one.value - true.value) <= one.uncertainty
        assert one.decision is Decision.PASS


@pytest.mark.parametrize(
    "offered",
    [(1e-3, 1 / 44_100), (1 / 96_000, 1e-3), (2e-5, 4e-5), (3e-5, 2.6e-5), (1e-4, 6e-6)],
    ids=["44.1 kHz", "96 kHz", "50 kHz", "33 and 38 kHz", "only from 167 kHz on"],
)
def test_an_interval_in_steps_is_used_as_it_reads_back(make_rig: Any, offered: tuple[float, ...]) -> None:
    """Deviation from samples at the rate that the analyser has, as long as it was asked for."""
    sound = list(_rig(make_rig, SAMPLED).run().results)
    rig = _rig(make_rig, SAMPLED, "interval_s", *offered)
    _agree(list(rig.run().results), sound)
    recorded_s = rig.device(ANALYSER).points * rig.device(ANALYSER).interval_s
    assert recorded_s == pytest.approx(0.25, rel=0.001)


def test_an_interval_that_is_too_long_is_told(make_rig: Any) -> None:
    """At 20 kHz audio up to 15 kHz is not there: not measured, with the interval asked for, the one made, and the one that would do."""
    for one in _rig(make_rig, SAMPLED, "interval_s", 5e-5).run().results:
        assert one.decision is Decision.NOT_MEASURED
        assert "2.08333e-05 s" in one.note
        assert "reads back 5e-05 s" in one.note
        assert "up to 3.1" in one.note


def test_a_wider_bandwidth_tells_lines_apart_as_well(make_rig: Any) -> None:
    """A line is as strong in 300 Hz as in 100 Hz: the suppression stands, and the note says in which it was read."""
    sound = list(_rig(make_rig, SSB).run().results)
    found = list(_rig(make_rig, SSB, "resolution_hz", 300.0, 1000.0).run().results)
    _agree(found, sound)
    assert all("within 300 Hz in place of 100 Hz" in one.note for one in found)
    assert not any("in place of" in one.note for one in sound)


@pytest.mark.parametrize(
    ("tone", "offered_hz", "told"),
    [("500 Hz", 250.0, "too wide to tell lines 500 Hz apart"), ("1 kHz", 1000.0, "reads back 1.0")],
)
def test_a_bandwidth_that_is_too_wide_is_told(make_rig: Any, tone: str, offered_hz: float, told: str) -> None:
    """Where the next line may be in it too, nothing is stated."""
    checks = SSB.replace("drive:", f"tone: {tone}, drive:")
    for one in _rig(make_rig, checks, "resolution_hz", offered_hz).run().results:
        assert one.decision is Decision.NOT_MEASURED
        assert told in one.note
        assert "100" in one.note


@pytest.mark.parametrize("checks", [RESIDUAL, DISTORTION], ids=["residual", "distortion"])
@pytest.mark.parametrize(
    ("name", "offered", "told"),
    [
        ("low_pass_hz", 3200.0, "low-pass of 3200 Hz in place of 3000 Hz"),
        ("high_pass_hz", 280.0, "high-pass of 280 Hz in place of 300 Hz"),
        ("deemphasis_s", 800e-6, "de-emphasis of 800 µs in place of 750 µs"),
    ],
)
def test_filters_a_little_off_are_in_the_uncertainty(
    make_rig: Any, checks: str, name: str, offered: float, told: str
) -> None:
    """What the corner may do to noise is a part of the budget, and the value lies within U of the one by the filters asked for."""
    (sound,) = _rig(make_rig, checks).run().results
    (found,) = _rig(make_rig, checks, name, offered).run().results
    _agree([found], [sound])
    assert told in found.note
    assert "filters as made" in str(found.budget)
    assert "filters as made" not in str(sound.budget)
    assert found.uncertainty > sound.uncertainty


@pytest.mark.parametrize(("name", "offered"), [("low_pass_hz", 15_000.0), ("deemphasis_s", 75e-6)])
def test_another_filter_altogether_is_told(make_rig: Any, name: str, offered: float) -> None:
    """Noise in 15 kHz is another quantity: not measured, with both values."""
    (found,) = _rig(make_rig, RESIDUAL, name, offered).run().results
    assert found.decision is Decision.NOT_MEASURED
    asked = {"low_pass_hz": "3000", "deemphasis_s": "0.00075"}[name]
    assert f"was set to {asked} and reads back" in found.note
