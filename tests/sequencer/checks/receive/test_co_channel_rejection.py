"""Co-channel rejection: against the level at which a unit of its own is truly spoiled, and what the plan refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision
from tests.support.running import run_checks
from tests.support.truth import INTERFERER, TrueUnit, where, write_bench

SERIAL = "M40-0007"
QUANTITY = "co-channel rejection"


def true_ratio_db(serial: str, target_db: float, wanted_dbm: float | None = None) -> float:
    """Return the ratio at which SINAD is truly down at the target; without a wanted level 3 dB above where it is reached alone."""
    true = TrueUnit(serial, "FM", 20)

    def alone_db(level_dbm: float) -> float:
        return true.hear(true.carrier(level_dbm, fm_deviation_hz=1_200.0)).mean_sinad_db()

    level_dbm = where(alone_db, target_db, -135.0, -90.0) + 3.0 if wanted_dbm is None else wanted_dbm
    wanted = true.carrier(level_dbm, fm_deviation_hz=1_200.0)

    def spoiled_db(interferer_dbm: float) -> float:
        return true.hear(wanted, true.carrier(interferer_dbm)).mean_sinad_db()

    return where(spoiled_db, target_db, -140.0, level_dbm + 10.0) - level_dbm


@pytest.mark.parametrize(
    ("how", "target_db", "wanted_dbm"),
    [("", 12.0, None), (", wanted: -107 dBm, target: 14 dB SINAD", 14.0, -107.0)],
)
def test_the_ratio_is_what_truly_spoils_reception(
    tmp_path: Path, how: str, target_db: float, wanted_dbm: float | None
) -> None:
    """Beside the sensitivity found and at a stated level the ratio lies within its uncertainty of the unit's truth, and below 0 dB.

    -12 to 0 dB is what EN 300 086 allows at 12.5 kHz spacing, from memory.
    """
    bench = write_bench(tmp_path, interferer=INTERFERER)
    check = f"{{check: co_channel_rejection, channel: 20, limit: {{min: -12 dB}}{how}}}"
    result = run_checks(tmp_path, SERIAL, check, bench=bench).found(QUANTITY)
    assert result.value is not None, result.note
    assert result.uncertainty is not None
    assert result.uncertainty < 2.5
    assert abs(result.value - true_ratio_db(SERIAL, target_db, wanted_dbm)) <= result.uncertainty
    assert -12.0 <= result.value <= 0.0
    assert result.decision is Decision.PASS
    assert (result.axis, result.axis_value, result.axis_unit) == ("", None, "")


@pytest.mark.parametrize(
    ("how", "interferer", "message"),
    [
        ("", "", "co_channel_rejection needs a second signal generator"),
        (", mode: AM", INTERFERER, "co_channel_rejection.*AM.*allowed: FM"),
        (", interferer_tone: 1 kHz", INTERFERER, "cannot be told from the wanted signal's 1000 Hz"),
        (", target: 20 dB quieting", INTERFERER, "cannot be read beside an interferer"),
        (", wanted: 3 dBm", INTERFERER, "above the receiver's rating"),
    ],
)
def test_the_plan_refuses_what_says_nothing(tmp_path: Path, how: str, interferer: str, message: str) -> None:
    """A missing generator, a mode that suppresses nothing, one tone twice and levels too high are said before anything is sent."""
    bench = write_bench(tmp_path, interferer=interferer)
    with pytest.raises(FileProblems, match=f"(?s){message}"):
        run_checks(tmp_path, "MX40-0101", f"{{check: co_channel_rejection, channel: 20{how}}}", bench=bench)
