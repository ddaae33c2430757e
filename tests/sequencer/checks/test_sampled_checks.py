"""What is worked out from an analyser's samples agrees with the analyser's own answer, and with what the specimen states."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.uncertainty.decision import Decision
from tests.support.running import run_checks


@pytest.mark.parametrize("level", ["-119 dBm", "-100 dBm"])
def test_sinad_of_the_samples_agrees_with_the_analyser(tmp_path: Path, level: str) -> None:
    """The analyser is within its stated 0.5 dB of what numpy makes of the samples it hands over (SCPI block, REAL,32)."""
    ran = run_checks(
        tmp_path, "M40-0007", f"{{check: sinad, channel: 20, level: {level}, agree_within: 1 dB}}"
    )
    result = ran.found("SINAD, samples less analyser")
    assert result.decision is Decision.PASS
    assert result.value is not None
    assert result.uncertainty is not None
    assert (
        abs(result.value) <= result.uncertainty + 0.3
    )  # SINAD readings scatter with clicks: a few tenths at -119 dBm


def test_deviation_depth_and_carrier_from_baseband_samples(tmp_path: Path) -> None:
    """A digitiser's samples give what the analyser reads: the carrier within 3 Hz, peaks within 5 %.

    A peak of samples holds the peak of the residual noise too: 12 Hz rms adds some 40 Hz to 1080 Hz (three to four sigma).
    """
    ran = run_checks(
        tmp_path,
        "MX40-0101",
        """
        {check: peak_deviation, channel: 20, drive: 10 mV}
        {check: peak_deviation, channel: 1, drive: 10 mV, read: samples}
        {check: modulation_depth, channel: 20, mode: AM, drive: 10 mV}
        {check: modulation_depth, channel: 1, mode: AM, drive: 10 mV, read: samples}
        {check: frequency_error, channel: 20}
        {check: frequency_error, channel: 1, read: samples}
        """,
    )
    for quantity in (
        "peak deviation, positive",
        "peak deviation, negative",
        "modulation depth, positive",
        "modulation depth, negative",
    ):
        assert ran.number(quantity, 1) == pytest.approx(ran.number(quantity, 20), rel=0.05)
    assert ran.number("frequency error", 1) == pytest.approx(ran.number("frequency error", 20), abs=3.0)
