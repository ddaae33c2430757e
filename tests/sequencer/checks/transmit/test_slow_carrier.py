"""A transmitter that comes up slowly after PTT: what is recorded of it is the steady carrier, and comes to what a quick one comes to."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from sequencer.results.model import Result
from tests.support.spectral import BENCH, results, run

UNITS = BENCH.resolve().parent / "units"
CHECKS = (
    "check: signalling_sent, channel: 20, tone: 88.5 Hz",
    "check: adjacent_channel_power, channel: 20, drive: 10 mV, read: samples",
    "check: occupied_bandwidth, channel: 20, drive: 10 mV, read: samples",
)


def measured(folder: Path, keying: str, *checks: str) -> dict[str, Result]:
    """Return what a unit that sends a tone below speech is found to do, where it comes up as ``keying`` says."""
    shutil.copytree(UNITS, folder / "units")
    file = folder / "units" / "m40-0071.yaml"
    file.write_text(file.read_text(encoding="utf-8") + keying, encoding="utf-8")
    rig = run(folder, "M40-0071", *checks, **{str(UNITS): str(folder / "units")})
    return dict(results(rig))


@cache
def of_a_quick_one() -> dict[str, Result]:
    """Return what the same unit is found to do whose carrier stands at once."""
    with TemporaryDirectory() as folder:
        return measured(Path(folder), "", *CHECKS)


@pytest.mark.parametrize(
    "keying",
    [
        "keying: {delay: 30 ms}",
        "keying: {delay: 200 ms, rise: 20 ms}",
        "keying: {delay: 10 ms, rise: 300 ms}",
        "keying: {delay: 10 ms, short: 6 dB, creep: 150 ms}",
    ],
)
def test_what_is_recorded_of_a_slow_one_is_what_a_quick_one_gives(tmp_path: Path, keying: str) -> None:
    """Late, rising slowly, or creeping up: each figure lies within U of the quick unit's, and none is missing."""
    slow, quick = measured(tmp_path, keying, *CHECKS), of_a_quick_one()
    assert set(slow) == set(quick)
    for quantity, one in slow.items():
        assert one.value is not None, f"{quantity}: {one.note}"
        assert one.value == pytest.approx(quick[quantity].value, abs=quick[quantity].uncertainty), quantity


def test_one_that_never_comes_to_its_power_is_not_measured(tmp_path: Path) -> None:
    """Rising for four seconds: three recordings after another lack power at their beginning, and the message says for how long."""
    found = measured(tmp_path, "keying: {delay: 5 ms, rise: 4 s}", CHECKS[0])
    one = found["sub-audible tone"]
    assert one.value is None
    assert "the carrier was still coming up in 3 recordings after another" in one.note
    assert "time_to_power" in one.note
