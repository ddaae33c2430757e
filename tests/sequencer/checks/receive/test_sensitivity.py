"""Sensitivity with every target and in every mode, against textbook formulas and against what the simulated unit truly does."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from tests.support.running import run_checks
from tests.support.truth import TrueUnit, where

THERMAL_DBM_PER_HZ = 10.0 * math.log10(
    1.380649e-23 * 290.0 * 1e3
)  # SI of 2019; 290 K: the noise figure's reference
SN_OF_10_DB = 10.0 * math.log10(10.0 - 1.0)  # (S+N)/N of 10 dB is S/N of 9.54 dB
HF = {"plan": "hf-ssb-service", "supply": "13.8 V"}


def _within(result: Result, truth_dbm: float, slack_db: float = 0.0) -> None:
    assert result.value is not None, result.note
    assert result.uncertainty is not None
    assert abs(result.value - truth_dbm) <= result.uncertainty + slack_db


@pytest.mark.parametrize(
    ("mode", "bandwidth_hz", "read"),
    [("USB", 2400.0, "analyser"), ("LSB", 2400.0, "samples"), ("CW", 500.0, "analyser")],
)
def test_ssb_and_cw_hear_as_thermal_noise_lets_them(
    tmp_path: Path, mode: str, bandwidth_hz: float, read: str
) -> None:
    """(S+N)/N = 1 + C/(kTFB) (any communication textbook), with the specimen's stated 7 dB and its filter; 0.3 dB for its skirts."""
    check = (
        f"{{check: sensitivity, channel: 5, target: 10 dB (S+N)/N, read: {read}, limit: {{max: -115 dBm}}}}"
    )
    result = run_checks(tmp_path, "H10-0201", check, mode=mode, **HF).found("sensitivity, 10 dB (S+N)/N")
    _within(result, THERMAL_DBM_PER_HZ + 7.0 + 10.0 * math.log10(bandwidth_hz) + SN_OF_10_DB, 0.3)
    assert result.decision is Decision.PASS


def test_am_hears_with_the_carrier_on_as_the_textbook_says(tmp_path: Path) -> None:
    """(S+N)/N = 1 + m²C/(2 N0 W) with m = 30 %, 6 dB noise figure and W = 300 to 3000 Hz; 60 % is 6 dB better (both m² only)."""
    ran = run_checks(
        tmp_path,
        "MX40-0101",
        """
        {check: sensitivity, channel: 20, target: 10 dB (S+N)/N}
        {check: sensitivity, channel: 1, target: 10 dB (S+N)/N, depth: 60 %}
        """,
        mode="AM",
    )
    found = ran.found("sensitivity, 10 dB (S+N)/N", 20)
    needed_db = SN_OF_10_DB + 10.0 * math.log10(2.0 * 2700.0) - 20.0 * math.log10(0.3)
    _within(found, THERMAL_DBM_PER_HZ + 6.0 + needed_db, 0.3)
    deeper = ran.found("sensitivity, 10 dB (S+N)/N", 1)
    _within(deeper, THERMAL_DBM_PER_HZ + 6.0 + needed_db - 20.0 * math.log10(2.0), 0.3)


@pytest.mark.parametrize("read", ["analyser", "samples"])
def test_quieting_is_found_where_the_noise_has_fallen(tmp_path: Path, read: str) -> None:
    """20 dB quieting: where long readings of a unit of its own say that an unmodulated carrier has cut the hiss to a tenth."""
    check = f"{{check: sensitivity, channel: 20, target: 20 dB quieting, read: {read}}}"
    result = run_checks(tmp_path, "M40-0007", check).found("sensitivity, 20 dB quieting")
    true = TrueUnit("M40-0007", "FM", 20)
    hiss_v = true.hear(None).audio_level_v(5_000.0)

    def quieting_db(level_dbm: float) -> float:
        return 20.0 * math.log10(hiss_v / true.hear(true.carrier(level_dbm)).audio_level_v(5_000.0))

    _within(result, where(quieting_db, 20.0, -130.0, -105.0))


@pytest.mark.parametrize(
    ("ratio_db", "weighting"), [(12, "flat"), (20, "flat"), (20, "psophometric"), (20, "C-message")]
)
def test_fm_sinad_targets_and_weightings(tmp_path: Path, ratio_db: int, weighting: str) -> None:
    """The level found is where the unit's true SINAD behind that weighting meets the target."""
    check = f"{{check: sensitivity, channel: 20, target: {ratio_db} dB SINAD, weighting: {weighting}}}"
    words = f"sensitivity, {ratio_db} dB SINAD" + ("" if weighting == "flat" else f", {weighting}")
    result = run_checks(tmp_path, "M40-0007", check).found(words)
    true = TrueUnit("M40-0007", "FM", 20)

    def sinad_db(level_dbm: float) -> float:
        signal = true.carrier(level_dbm, fm_deviation_hz=1_200.0)
        return true.hear(signal).mean_sinad_db(weighting)

    _within(result, where(sinad_db, float(ratio_db), -130.0, -100.0))


@pytest.mark.parametrize(
    ("mode", "beside_hz", "depth"), [("USB", 1e3, 0.0), ("LSB", -1e3, 0.0), ("AM", 0.0, 30.0)]
)
def test_sinad_in_the_other_modes(tmp_path: Path, mode: str, beside_hz: float, depth: float) -> None:
    """12 dB SINAD from the analyser, its notch on the tone that the unit's frequency error has moved, meets the unit's true SINAD."""
    check = "{check: sensitivity, channel: 20, target: 12 dB SINAD}"
    result = run_checks(tmp_path, "MX40-0101", check, mode=mode).found("sensitivity, 12 dB SINAD")
    true = TrueUnit("MX40-0101", mode, 20)

    def sinad_db(level_dbm: float) -> float:
        return true.hear(true.carrier(level_dbm, beside_hz, am_depth_percent=depth)).mean_sinad_db()

    _within(result, where(sinad_db, 12.0, -135.0, -100.0))
    if mode != "AM":
        assert "tone at" in result.note


def test_samples_say_how_far_the_analyser_is_off(tmp_path: Path) -> None:
    """Read from samples, the note tells the difference to the analyser's own answer at the level found, below its stated 0.5 dB."""
    check = "{check: sensitivity, channel: 20, read: samples}"
    note = run_checks(tmp_path, "M40-0007", check).found("sensitivity, 12 dB SINAD").note
    off_db = float(note.split("own answer at that level is ")[1].split(" dB")[0])
    assert abs(off_db) < 0.5 + 0.6  # and the scatter of four readings of a quarter second near threshold


@pytest.mark.parametrize("mode", ["USB", "LSB", "CW", "AM"])
def test_the_deaf_hf_set_fails_in_every_mode(tmp_path: Path, mode: str) -> None:
    """Some 20 dB deaf, as its file states: fails -115 dBm (0.4 µV pd, after an HF SSB service manual) or, in AM, -100 dBm."""
    limit = -100 if mode == "AM" else -115
    check = f"{{check: sensitivity, channel: 5, target: 10 dB (S+N)/N, limit: {{max: {limit} dBm}}}}"
    result = run_checks(tmp_path, "H10-0204", check, mode=mode, **HF).found("sensitivity, 10 dB (S+N)/N")
    assert result.decision is Decision.FAIL


def test_a_muted_receiver_gives_no_number(tmp_path: Path) -> None:
    """With the squelch closed there is no hiss to be quieted and no noise to compare with: words, not a level."""
    checks = """
    {check: confirm, text: turned until noise is muted, knob: squelch, position: just closed}
    {check: sensitivity, channel: 20, target: 20 dB quieting}
    {check: sensitivity, channel: 20, target: 10 dB (S+N)/N, mode: USB}
    """
    ran = run_checks(tmp_path, "MX40-0101", checks)
    for quantity in ("sensitivity, 20 dB quieting", "sensitivity, 10 dB (S+N)/N"):
        result = ran.found(quantity)
        assert result.value is None
        assert "open the squelch" in result.note
