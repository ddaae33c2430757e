"""Conversions between the quantities of radio measurement: arithmetic only, no text, no file, no instrument.

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


def dbuv_emf_from_dbm(level_dbm: float) -> float:
    """Return the level in dBµV emf."""
    return dbuv_pd_from_dbm(level_dbm) + DB_EMF_OVER_PD


def dbm_from_dbuv_emf(level_dbuv: float) -> float:
    """Return the level in dBm of a level in dBµV emf."""
    return dbm_from_dbuv_pd(level_dbuv - DB_EMF_OVER_PD)


def dbuv_from_uv(voltage_uv: float) -> float:
    """Return dBµV of a voltage above 0 µV: emf stays emf, pd stays pd."""
    return 20.0 * math.log10(_positive(voltage_uv, "voltage_uv"))


def uv_from_dbuv(level_dbuv: float) -> float:
    """Return µV of a level in dBµV: emf stays emf, pd stays pd."""
    return _power_of_ten(level_dbuv / 20.0, "level_dbuv")


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


def db_from_power_percent(percent: float) -> float:
    """Return dB of a power ratio given in percent above 0 (50 % is -3.01 dB)."""
    return db_from_power_ratio(percent / 100.0)


def power_percent_from_db(ratio_db: float) -> float:
    """Return the power ratio in percent of a figure in dB."""
    return 100.0 * power_ratio_from_db(ratio_db)


def db_from_voltage_percent(percent: float) -> float:
    """Return dB of a voltage ratio given in percent above 0 (50 % is -6.02 dB)."""
    return db_from_voltage_ratio(percent / 100.0)


def voltage_percent_from_db(ratio_db: float) -> float:
    """Return the voltage ratio in percent of a figure in dB."""
    return 100.0 * voltage_ratio_from_db(ratio_db)


def db_from_power_change_percent(change_percent: float) -> float:
    """Return dB of a change of power by ``change_percent`` (above -100; +3 % is 0.128 dB)."""
    return db_from_power_ratio(1.0 + change_percent / 100.0)


def power_change_percent_from_db(change_db: float) -> float:
    """Return by how many percent the power changes when the level changes by ``change_db``."""
    return 100.0 * (power_ratio_from_db(change_db) - 1.0)


def db_from_voltage_change_percent(change_percent: float) -> float:
    """Return dB of a change of voltage by ``change_percent`` (above -100; +3 % is 0.257 dB)."""
    return db_from_voltage_ratio(1.0 + change_percent / 100.0)


def voltage_change_percent_from_db(change_db: float) -> float:
    """Return by how many percent the voltage changes when the level changes by ``change_db``."""
    return 100.0 * (voltage_ratio_from_db(change_db) - 1.0)


# --- frequency ------------------------------------------------------------------------------------


def hz_from_ppm(offset_ppm: float, carrier_hz: float) -> float:
    """Return the difference in Hz that is ``offset_ppm`` of a carrier above 0 Hz."""
    return _finite(offset_ppm, "offset_ppm") * _positive(carrier_hz, "carrier_hz") / 1e6


def ppm_from_hz(offset_hz: float, carrier_hz: float) -> float:
    """Return in ppm of a carrier above 0 Hz the difference ``offset_hz``."""
    return _finite(offset_hz, "offset_hz") / _positive(carrier_hz, "carrier_hz") * 1e6


# --- mismatch -------------------------------------------------------------------------------------


def reflection_from_vswr(vswr: float) -> float:
    """Return the magnitude of the reflection coefficient (0 to below 1) of a VSWR of 1 or more."""
    if _finite(vswr, "vswr") < 1.0:
        raise ValueError(f"vswr is 1 or more, not {vswr!r}")
    return (vswr - 1.0) / (vswr + 1.0)


def vswr_from_reflection(reflection: float) -> float:
    """Return the VSWR of a reflection coefficient whose magnitude is 0 to below 1."""
    if not 0.0 <= _finite(reflection, "reflection") < 1.0:
        raise ValueError(f"the magnitude of a reflection coefficient is 0 to below 1, not {reflection!r}")
    return (1.0 + reflection) / (1.0 - reflection)


def return_loss_db_from_vswr(vswr: float) -> float:
    """Return the return loss in dB (positive) of a VSWR above 1."""
    return -db_from_voltage_ratio(reflection_from_vswr(vswr))


def vswr_from_return_loss_db(return_loss_db: float) -> float:
    """Return the VSWR of a return loss above 0 dB."""
    return vswr_from_reflection(voltage_ratio_from_db(-_positive(return_loss_db, "return_loss_db")))


def mismatch_loss_db(vswr: float) -> float:
    """Return the loss in dB by reflection at one mismatch of VSWR 1 or more against a matched line."""
    return -db_from_power_ratio(1.0 - reflection_from_vswr(vswr) ** 2)
