"""Conversions against published tables.

Sources: IARU Region 1 Technical Recommendation R.1 (S-meter table, HF Managers Handbook V9.0, 4.1.3); the
published dBm/µV pairs named beside each row; published VSWR and return-loss tables.
dBµV = dBm + 10 log Z + 90 is the published general rule.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.units import convert as q

LEVELS_DBM = st.floats(min_value=-200.0, max_value=100.0)

# IARU R.1: S value, HF dBm, HF µV (50 ohm pd) as printed, HF dBµV, VHF dBm, VHF µV as printed, VHF dBµV.
IARU_R1 = [
    ("1", -121, 0.20, -14, -141, 0.02, -34),
    ("2", -115, 0.40, -8, -135, 0.04, -28),
    ("3", -109, 0.79, -2, -129, 0.08, -22),
    ("4", -103, 1.6, 4, -123, 0.16, -16),
    ("5", -97, 3.2, 10, -117, 0.32, -10),
    ("6", -91, 6.3, 16, -111, 0.63, -4),
    ("7", -85, 13, 22, -105, 1.3, 2),
    ("8", -79, 25, 28, -99, 2.5, 8),
    ("9", -73, 50, 34, -93, 5.0, 14),
    ("9+10", -63, 160, 44, -83, 16, 24),
    ("9+20", -53, 500, 54, -73, 50, 34),
    ("9+30", -43, 1600, 64, -63, 160, 44),
    ("9+40", -33, 5000, 74, -53, 500, 54),
    ("9+50", -23, 16000, 84, -43, 1600, 64),
    ("9+60", -13, 50000, 94, -33, 5000, 74),  # one public table misprints 94000 µV here; 50 mV is right
]

# µV pd, dBm as printed, decimals printed, source.
PUBLISHED_UV_PD = [
    (0.11, -126, 0, "mailing-list table"),
    (0.18, -121.9, 1, "conversion table"),
    (0.20, -121, 0, "IARU R.1"),
    (0.4, -115, 0, "HF SSB service manual, IARU R.1"),
    (0.5, -113, 0, "conversion table"),
    (1.0, -107, 0, "conversion table"),
    (1.6, -103, 0, "IARU R.1"),
    (2.5, -99, 0, "HF SSB service manual"),
    (5.0, -93, 0, "mailing-list table"),
    (10.0, -87, 0, "conversion table"),
    (50.0, -73, 0, "mailing-list table, IARU R.1"),
    (50_000.0, -13, 0, "HF SSB service manual, IARU R.1"),
]


def rounded_significant(number: float, like: float) -> float:
    """Round to as many significant digits as the printed figure has."""
    digits = (
        len(f"{like:.10g}".replace(".", "").strip("0")) if like >= 1 else len(f"{like:.10g}".lstrip("0."))
    )
    return float(f"{number:.{max(digits, 1)}g}")


@pytest.mark.parametrize(("s", "hf_dbm", "hf_uv", "hf_dbuv", "vhf_dbm", "vhf_uv", "vhf_dbuv"), IARU_R1)
def test_levels_match_the_iaru_s_meter_table(*, s, hf_dbm, hf_uv, hf_dbuv, vhf_dbm, vhf_uv, vhf_dbuv):
    """Each row of IARU R.1 (dBm, µV pd, dBµV pd) agrees to the digits it prints."""
    for dbm, uv, dbuv in ((hf_dbm, hf_uv, hf_dbuv), (vhf_dbm, vhf_uv, vhf_dbuv)):
        assert rounded_significant(q.uv_pd_from_dbm(dbm), uv) == pytest.approx(uv), s
        assert round(q.dbuv_pd_from_dbm(dbm)) == dbuv, s


@pytest.mark.parametrize(("uv_pd", "dbm", "decimals", "source"), PUBLISHED_UV_PD)
def test_published_microvolt_pairs(uv_pd, dbm, decimals, source):
    """Published µV pd to dBm pairs agree to the digits they print."""
    assert round(q.dbm_from_uv_pd(uv_pd), decimals) == dbm, source


def test_published_pairs_that_are_rounded_otherwise():
    """0.15 µV pd (service manual: -123) and 0.3 µV (published: -117.5) agree as they were rounded."""
    assert q.dbm_from_uv_pd(0.15) == pytest.approx(-123, abs=0.5)
    assert q.dbm_from_uv_pd(0.3) == pytest.approx(-117.5, abs=0.055)  # -117.447, printed from -117.45


def test_emf_is_twice_pd():
    """10 µV emf is 5 µV pd is -93 dBm, and 100 µV emf is -73 dBm (published mailing-list table)."""
    assert round(q.dbm_from_uv_emf(10.0)) == -93
    assert round(q.dbm_from_uv_emf(100.0)) == -73
    assert q.w_from_dbm(-93) == pytest.approx(5.011e-13, rel=2e-4)  # the table prints 5.011e-13 W
    assert q.uv_emf_from_dbm(-93) == pytest.approx(2 * q.uv_pd_from_dbm(-93))


def test_exact_offsets_of_dbuv():
    """0 dBm is 106.9897 dBµV pd and 113.0103 dBµV emf (10 log Z + 90, and 20 log 2 more)."""
    assert q.dbm_from_dbuv_emf(113.0103) == pytest.approx(0, abs=5e-5)
    assert q.dbuv_pd_from_dbm(0) == pytest.approx(106.9897, abs=5e-5)


def test_limit_of_six_dbuv_emf():
    """6 dBµV emf is -107.01 dBm and 1.995 µV emf; 12 dBµV emf is -101.01 dBm and 3.981 µV emf (10 to the power of dBµV / 20)."""
    assert round(q.dbm_from_dbuv_emf(6), 2) == -107.01
    assert round(q.uv_emf_from_dbm(-107.01), 3) == 1.995
    assert round(q.dbm_from_dbuv_emf(12), 2) == -101.01


def test_published_milliwatt_in_volts():
    """0 dBm is 0.224 V in 50 ohm (published conversion table)."""
    assert round(q.v_pd_from_dbm(0), 3) == 0.224


def test_legal_powers():
    """4 W is 36.02 dBm and 14.14 V rms, 12 W is 40.79 dBm and 24.49 V rms, in 50 ohm (V = sqrt(P R))."""
    assert round(q.dbm_from_w(4), 2) == 36.02
    assert round(q.v_pd_from_dbm(q.dbm_from_w(4)), 2) == 14.14
    assert round(q.dbm_from_w(12), 2) == 40.79
    assert round(q.v_pd_from_dbm(q.dbm_from_w(12)), 2) == 24.49


def test_adjacent_channel_power_of_mpt_1382():
    """20 µW (MPT 1382) is -16.99 dBm."""
    assert round(q.dbm_from_w(20e-6), 2) == -16.99


@pytest.mark.parametrize(
    ("vswr", "reflection", "return_loss_db"),
    [
        (1.05, 0.02439, 32.26),
        (1.1, 0.04762, 26.44),
        (1.2, 0.09091, 20.83),
        (1.25, 0.11111, 19.08),
        (1.5, 0.2, 13.98),
        (2, 0.33333, 9.54),
        (3, 0.5, 6.02),
    ],
)
def test_published_vswr_table(vswr, reflection, return_loss_db):
    """VSWR, reflection coefficient and return loss as any handbook tabulates them, to the last printed digit."""
    assert q.reflection_from_vswr(vswr) == pytest.approx(reflection, abs=5.1e-6)
    assert -q.db_from_voltage_ratio(q.reflection_from_vswr(vswr)) == pytest.approx(return_loss_db, abs=5.1e-3)


@pytest.mark.parametrize(
    ("forward", "back"),
    [
        (q.w_from_dbm, q.dbm_from_w),
        (q.v_pd_from_dbm, q.dbm_from_v_pd),
        (q.v_emf_from_dbm, q.dbm_from_v_emf),
        (q.uv_pd_from_dbm, q.dbm_from_uv_pd),
        (q.uv_emf_from_dbm, q.dbm_from_uv_emf),
        (q.dbuv_pd_from_dbm, q.dbm_from_dbuv_pd),
        (q.power_ratio_from_db, q.db_from_power_ratio),
        (q.voltage_ratio_from_db, q.db_from_voltage_ratio),
    ],
)
@given(level=LEVELS_DBM)
def test_every_conversion_comes_back(forward, back, level):
    """A conversion and its inverse return the level they started from."""
    assert back(forward(level)) == pytest.approx(level, abs=1e-9)


@given(level=LEVELS_DBM)
def test_power_is_voltage_squared_over_resistance(level):
    """P = V²/R holds at 50 ohm for every level."""
    assert q.w_from_dbm(level) == pytest.approx(q.v_pd_from_dbm(level) ** 2 / 50.0)


@pytest.mark.parametrize(
    "convert", [q.dbm_from_w, q.dbm_from_uv_pd, q.dbm_from_uv_emf, q.db_from_power_ratio]
)
@pytest.mark.parametrize("number", [0.0, -1.0, math.nan, math.inf])
def test_what_has_no_logarithm_is_refused(convert, number):
    """Zero, negative and non-finite figures raise ValueError instead of giving a level."""
    with pytest.raises(ValueError, match="must be a finite number above 0"):
        convert(number)


def test_overflow_is_refused():
    """A level no float can hold as power raises ValueError, not OverflowError."""
    with pytest.raises(ValueError, match="too large"):
        q.w_from_dbm(1e5)


@pytest.mark.parametrize("vswr", [0.99, -1.0, math.nan, math.inf])
def test_impossible_vswr_is_refused(vswr):
    """A VSWR below 1 or not finite raises ValueError."""
    with pytest.raises(ValueError, match="vswr"):
        q.reflection_from_vswr(vswr)
