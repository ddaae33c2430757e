"""Convert between the quantities of radio measurement: arithmetic only, no text, no file, no instrument.

Levels are available power in 50 ohm. A voltage is either *pd* (potential difference across the matched 50 ohm
load) or *emf* (open-circuit voltage of the generator, twice the pd, 6.02 dB more); every name says which one.
Voltages are rms. Each function raises ValueError when its argument has no finite image (0 W has no dBm).
"""

from __future__ import annotations

import math

OHM = 50.0
"""The impedance every level in the project refers to."""

DB_EMF_OVER_PD = 20.0 * math.log10(2.0)
"""6.0206 dB: what dBµV emf exceeds dBµV pd by, in a matched load."""

DBUV_PD_AT_0_DBM = 10.0 * math.log10(OHM) + 90.0
"""106.9897 dBµV pd: 0 dBm in 50 ohm (0 dBm = 1 mW; 90 dB = 120 dB for µV less 30 dB for mW)."""


def _finite(number: float, name: str) -> float:
    if not math.isfinite(number):
        raise ValueError(f"{name} must be a finite number, not {number!r}")
    return number


def _positive(number: float, name: str) -> float:
    if not (math.isfinite(number) and number > 0):
        raise ValueError(f"{name} must be a finite number above 0, not {number!r}")
    return number


def _power_of_ten(exponent: float, name: str) -> float:
    try:
        return float(10.0 ** _finite(exponent, name))
    except OverflowError as error:
        raise ValueError(f"{name} is too large to convert") from error


# --- power and level ------------------------------------------------------------------------------


def w_from_dbm(level_dbm: float) -> float:
    """Return the power in W of a level in dBm."""
    return _power_of_ten((level_dbm - 30.0) / 10.0, "level_dbm")


def dbm_from_w(power_w: float) -> float:
    """Return the level in dBm of a power above 0 W."""
    return 10.0 * math.log10(_positive(power_w, "power_w")) + 30.0


def v_pd_from_dbm(level_dbm: float) -> float:
    """Return the voltage in V rms across the matched 50 ohm load."""
    return math.sqrt(w_from_dbm(level_dbm) * OHM)


def dbm_from_v_pd(voltage_v: float) -> float:
    """Return the level in dBm of a voltage above 0 V rms across the matched 50 ohm load."""
    return dbuv_from_uv(_positive(voltage_v, "voltage_v") * 1e6) - DBUV_PD_AT_0_DBM


def v_emf_from_dbm(level_dbm: float) -> float:
    """Return the open-circuit voltage in V rms of a 50 ohm generator of ``level_dbm`` available power."""
    return 2.0 * v_pd_from_dbm(level_dbm)


def dbm_from_v_emf(voltage_v: float) -> float:
    """Return the available power in dBm of a 50 ohm generator with an open-circuit voltage above 0 V rms."""
    return dbm_from_v_pd(_positive(voltage_v, "voltage_v") / 2.0)


def uv_pd_from_dbm(level_dbm: float) -> float:
    """Return the voltage in µV rms across the matched 50 ohm load."""
    return v_pd_from_dbm(level_dbm) * 1e6


def dbm_from_uv_pd(voltage_uv: float) -> float:
    """Return the level in dBm of a voltage above 0 µV rms across the matched 50 ohm load."""
    return dbm_from_v_pd(voltage_uv / 1e6)


def uv_emf_from_dbm(level_dbm: float) -> float:
    """Return the open-circuit voltage in µV rms of a 50 ohm generator of ``level_dbm`` available power."""
    return v_emf_from_dbm(level_dbm) * 1e6


def dbm_from_uv_emf(voltage_uv: float) -> float:
    """Return the available power in dBm of a 50 ohm generator with an open-circuit voltage above 0 µV rms."""
    return dbm_from_v_emf(voltage_uv / 1e6)


def dbuv_pd_from_dbm(level_dbm: float) -> float:
    """Return the level in dBµV pd."""
    return _finite(level_dbm, "level_dbm") + DBUV_PD_AT_0_DBM


def dbm_from_dbuv_pd(level_dbuv: float) -> float:
    """Return the level in dBm of a level in dBµV pd."""
    return _finite(level_dbuv, "level_dbuv") - DBUV_PD_AT_0_DBM


def dbm_from_dbuv_emf(level_dbuv: float) -> float:
    """Return the level in dBm of a level in dBµV emf."""
    return dbm_from_dbuv_pd(level_dbuv - DB_EMF_OVER_PD)


def dbuv_from_uv(voltage_uv: float) -> float:
    """Return dBµV of a voltage above 0 µV: emf stays emf, pd stays pd."""
    return 20.0 * math.log10(_positive(voltage_uv, "voltage_uv"))


# --- ratios ---------------------------------------------------------------------------------------


def db_from_power_ratio(ratio: float) -> float:
    """Return dB of a power ratio above 0."""
    return 10.0 * math.log10(_positive(ratio, "ratio"))


def power_ratio_from_db(ratio_db: float) -> float:
    """Return the power ratio of a figure in dB."""
    return _power_of_ten(ratio_db / 10.0, "ratio_db")


def db_from_voltage_ratio(ratio: float) -> float:
    """Return dB of a voltage ratio above 0."""
    return 20.0 * math.log10(_positive(ratio, "ratio"))


def voltage_ratio_from_db(ratio_db: float) -> float:
    """Return the voltage ratio of a figure in dB."""
    return _power_of_ten(ratio_db / 20.0, "ratio_db")


# --- mismatch -------------------------------------------------------------------------------------


def reflection_from_vswr(vswr: float) -> float:
    """Return the magnitude of the reflection coefficient (0 to below 1) of a VSWR of 1 or more."""
    if _finite(vswr, "vswr") < 1.0:
        raise ValueError(f"vswr is 1 or more, not {vswr!r}")
    return (vswr - 1.0) / (vswr + 1.0)
