"""What the plan says of levels and sweeps that a check commands beside what its settings name."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sequencer.problems import FileProblems
from sequencer.run.status import ExitStatus
from tests.support.after_faults import serial_of
from tests.support.every_check import EVERY_CHECK, plan_in, plan_of
from tests.support.rig import Rig


def _put(file: Path, stands: str, put: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert stands in text
    file.write_text(text.replace(stands, put, 1), encoding="utf-8")


@pytest.mark.parametrize(
    ("check", "least_dbm", "told"),
    [
        (
            "signal_to_noise",
            -113.0,
            r"-115 dBm .*\(2 dB below 'level', for how .*Allowed: -111\.4 to 12\.6 dBm",
        ),
        ("sinad", -113.0, r"\(2 dB below 'level'"),
        ("hum_and_noise", -48.0, r"\(2 dB below 'level'"),
        ("path_loss", -1.0, r"-3 dBm \(3 dB below 'level', .*Allowed: 2\.0 to "),
        (
            "receive_distortion",
            -80.0,
            r"-107 dBm .*\(where it is proved that the reading .*a generator that offers it: this one offers -80\.4 to",
        ),
    ],
)
def test_a_level_beside_the_setting_is_told_with_what_it_is_for(
    tmp_path: Path, check: str, least_dbm: float, told: str
) -> None:
    """What is allowed is said of the setting, by the generator's range and what the check adds to it."""
    plan_of(tmp_path, check)
    _put(tmp_path / "bench.yaml", "min: -137 dBm", f"min: {least_dbm:g} dBm")
    with pytest.raises(FileProblems) as refused:
        plan_in(tmp_path, check)
    assert re.search(told, " ".join(str(refused.value).split()), re.IGNORECASE), str(refused.value)


@pytest.mark.parametrize(
    "check", ["signal_to_noise", "sinad", "hum_and_noise", "path_loss", "receive_distortion"]
)
def test_a_level_beside_one_that_is_refused_is_not_complained_of_too(tmp_path: Path, check: str) -> None:
    """One mistake is told once: where the setting itself is out of range, nothing is said of the levels that come from it."""
    plan_of(tmp_path, check)
    _put(tmp_path / "bench.yaml", "min: -137 dBm", "min: 10 dBm")
    with pytest.raises(FileProblems) as refused:
        plan_in(tmp_path, check)
    told = [one.message for one in refused.value.complaints if "is outside what" in one.message]
    assert len(told) == 1
    assert "(" not in told[0]


SWEPT_SLOWLY = {
    "occupied_bandwidth": (
        "resolution_bandwidth: 1 kHz",
        "resolution_bandwidth: 30 Hz",
        40,
        "67.7 s",
        "100 Hz",
    ),
    "adjacent_channel_power": (
        "resolution_bandwidth: 1 kHz",
        "resolution_bandwidth: 30 Hz",
        40,
        "80.2 s",
        "100 Hz",
    ),
    "harmonics": ("up_to: 2", "up_to: 2, resolution_bandwidth: 10 Hz", 22, "5 s", "30 Hz"),
    "spurious_emissions": (
        "from: 20 MHz, to: 30 MHz, resolution_bandwidth: 10 kHz",
        "from: 26 MHz, to: 26.2 MHz, resolution_bandwidth: 100 Hz",
        40,
        "50 s",
        "300 Hz",
    ),
}


@pytest.mark.parametrize("check", SWEPT_SLOWLY)
def test_a_sweep_that_outlasts_the_key_time_is_refused_before_the_first_byte(
    tmp_path: Path, check: str
) -> None:
    """With the sweep time of a quick analyser it is planned, and with the filter that is named as allowed it is measured too.

    How long a sweep takes is 2.5 times its span over the square of its filter (from memory of makers' application notes).
    """
    plan_of(tmp_path, check)
    quick, slow, limit_s, takes, allowed = SWEPT_SLOWLY[check]
    bench = tmp_path / "bench.yaml"
    _put(tmp_path / "one.yaml", quick, slow)
    _put(bench, "max_key_time: 40 s", f"max_key_time: {limit_s} s")
    with pytest.raises(FileProblems) as refused:
        plan_in(tmp_path, check)
    told = " ".join(str(refused.value).split())
    assert f"takes about {takes} of transmitting" in told
    assert f"does not fit into max_key_time {limit_s} s" in told
    assert f"a filter of {allowed} or more" in told
    _put(bench, "    highest: 3 GHz", "    highest: 3 GHz\n    sweep_factor: 0.02")
    assert plan_in(tmp_path, check).steps
    _put(bench, "    sweep_factor: 0.02\n", "")
    _put(tmp_path / "one.yaml", slow, re.sub(r"bandwidth: \S+ k?Hz", f"bandwidth: {allowed}", slow))
    outcome = Rig(plan_in(tmp_path, check), serial_of(check)).run()
    assert [one.note for one in outcome.results if one.fault] == []
    assert outcome.status in (ExitStatus.PASSED, ExitStatus.FAILED)


def test_every_check_of_the_spectrum_is_asked(tmp_path: Path) -> None:
    """A check that sweeps with the unit keyed cannot be forgotten here: its forecast grows with a quicker or slower analyser."""
    swept = set()
    for name in EVERY_CHECK:
        if name in ("confirm", "enter_reading", "channel_memory", "golden_unit"):
            continue
        step = plan_of(tmp_path, name).steps[-1]
        if "spectrum_analyser" in step.check.roles_of(step.settings) and step.check.keyed_s(
            step.settings, step.conditions
        ):
            swept.add(name)
    assert swept == set(SWEPT_SLOWLY)
