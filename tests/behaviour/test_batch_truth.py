"""A batch on the simulated bench, of specimens whose truth stands in their files: yield, capability and a bench that drifts.

The engine's statistics are held against what the test wrote into the specimens' files, and nothing of its own.
"""

from __future__ import annotations

import json
import math
import statistics
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from sequencer.cli.main import main

TOP = Path(__file__).parents[2]
SEQUENCE = """\
sequence: power only
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {min: 3 W, max: 4 W}}
"""
POWERS_W = (3.42, 3.61, 3.71, 2.61, 3.48, 3.66, 3.79, 3.51)
"""What the specimens give: one of eight far below 3 W."""
DRIFT_DB = 0.04
"""What the power meter of the second bench reads higher from unit to unit."""


def _measured(folder: Path, *, drift_db: float, powers_w: tuple[float, ...]) -> dict[str, Any]:
    """Measure a specimen of each power as one batch, and return what `batch --json` says of it."""
    bench = yaml.safe_load((TOP / "sim" / "bench.yaml").read_text(encoding="utf-8"))
    specimen = yaml.safe_load((TOP / "sim" / "units" / "m40-0007.yaml").read_text(encoding="utf-8"))
    (folder / "power.yaml").write_text(SEQUENCE, encoding="utf-8")
    where = ["--folder", str(folder / "results")]
    for at, power_w in enumerate(powers_w):
        specimen |= {
            "serial": f"M40-{5000 + at}",
            "transmitter": {**specimen["transmitter"], "power": f"{power_w} W"},
        }
        bench |= {"unit": "unit.yaml", "worn": {"power_meter": f"{drift_db * at} dB"}}
        (folder / "unit.yaml").write_text(yaml.safe_dump(specimen), encoding="utf-8")
        (folder / "bench.yaml").write_text(yaml.safe_dump(bench), encoding="utf-8")
        words = ["run", str(folder / "power.yaml"), "--bench", str(folder / "bench.yaml")]
        done = CliRunner().invoke(main, [*words, "--serial", f"M40-{5000 + at}", "--batch", "truth", *where])
        assert done.exit_code in (0, 1), done.output
    shown = CliRunner().invoke(main, ["batch", "truth", "--json", *where])
    assert shown.exit_code == 0, shown.output
    return dict(json.loads(shown.stdout))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Eight specimens on a bench that stands still."""
    return _measured(tmp_path_factory.mktemp("sound"), drift_db=0.0, powers_w=POWERS_W)


def test_the_yield_is_that_of_the_specimens(sound: dict[str, Any]) -> None:
    """Seven of eight lie between 3 and 4 W: so many pass, and the eighth is the one that its check failed."""
    true = sum(3.0 <= one <= 4.0 for one in POWERS_W)
    assert (sound["simulated"], sound["yield"]["judged"]) == (True, 8)
    assert (sound["yield"]["first_pass"]["count"], sound["yield"]["first_pass"]["of"]) == (true, 8)
    assert [(one["check"], one["failed"]) for one in sound["failures"]] == [("carrier_power", 8 - true)]


def test_values_and_capability_are_those_of_the_specimens(sound: dict[str, Any]) -> None:
    """Each value lies within its uncertainty of the file's power, and Ppk within what that makes of the true one."""
    (one,) = sound["quantities"]
    assert [row["serial"] for row in one["values"]] == [f"M40-{5000 + at}" for at in range(8)]
    for row, power_w in zip(one["values"], POWERS_W, strict=True):
        assert abs(row["value"] - power_w) < one["uncertainty"]
    mean, s = statistics.fmean(POWERS_W), statistics.stdev(POWERS_W)
    true_ppk = min(4.0 - mean, mean - 3.0) / (3.0 * s)
    found = one["capability"]["ppk"]
    assert found["lower"] < true_ppk < found["upper"]
    assert found["value"] == pytest.approx(true_ppk, abs=one["uncertainty"] / (3.0 * s))


def test_a_power_meter_that_drifts_is_seen_in_the_chart(tmp_path: Path) -> None:
    """Eight units alike to a hundredth of a watt on a meter that reads 0.04 dB higher from one to the next: the chart goes out of control.

    What it moved by is told: the last mean is above the first by about 7 x 0.04 dB.
    """
    powers_w = tuple(3.4 + 0.01 * (at % 2) for at in range(8))
    (one,) = _measured(tmp_path, drift_db=DRIFT_DB, powers_w=powers_w)["quantities"]
    assert one["individuals"]["alarms"]
    assert "Look at the bench before the units" in one["charts_say"]
    first, last = one["values"][0]["value"], one["values"][-1]["value"]
    assert 10.0 * math.log10(last / first) == pytest.approx(7 * DRIFT_DB, abs=0.1)
