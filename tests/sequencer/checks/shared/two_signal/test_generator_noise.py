"""What a second generator's stated noise says of a ratio: arithmetic by hand, and what the results say of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.running import run_checks
from tests.support.truth import INTERFERER, write_bench

CHECK = "{{check: blocking, channel: 20, wanted: -107 dBm, target: 14 dB SINAD, offsets: [1 MHz], limit: {{min: {least} dB}}}}"
QUANTITY = "blocking, +1 MHz"


@pytest.mark.parametrize(
    ("noise", "serial", "least", "said", "measured"),
    [
        # -(-135 + 10 log 8000) - 8 = 88 dB, worked out by hand: within 10 dB of what the sound unit rejects
        ("-110 dB, far_noise: -135 dB", "M40-0061", 84, "own noise alone gives about 88 dB", True),
        ("-110 dB, far_noise: -135 dB", "M40-0061", 99, "a quieter generator would show how much", False),
        ("-140 dB, far_noise: -165 dB", "M40-0061", 84, "", True),
        ("-110 dB, far_noise: -135 dB", "M40-0062", 84, "", True),  # 70 dB: far from it
        ("", "M40-0062", 84, "own noise is not stated", True),
        ("", "M40-0061", 84, "", True),
    ],
)
def test_a_ratio_says_where_the_generator_bounds_it(
    tmp_path: Path, noise: str, serial: str, least: float, said: str, measured: bool
) -> None:
    """A pass is at least so much; a failure near the generator's own noise is none; where nothing is stated a failure says so."""
    stated = noise.replace(", far", "\n    far")
    second = INTERFERER + (f"    phase_noise: {stated}\n" if noise else "")
    bench = write_bench(tmp_path, interferer=second)
    found = run_checks(tmp_path, serial, CHECK.format(least=least), bench=bench).found(QUANTITY)
    assert (found.value is not None) is measured, found.note
    assert said in found.note
    assert bool(said) == ("own noise" in found.note)
    assert found.bound == ("at least" if measured and "about 88 dB" in said else "")
