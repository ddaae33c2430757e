"""Units in which an instrument may speak beside the one that drivers speak: which there are, and the arithmetic.

Levels stand for the available power of a 50 ohm generator, or the power in a matched 50 ohm load. A voltage is rms across that
load, and "emf" is the open-circuit voltage, twice as much. `drivers` imports nothing of the engine, so that the formulas
stand here once more; a test holds them against the engine's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from drivers.frozen import dataclass

_OHM = 50.0
_DBUV_AT_0_DBM = 20.0 * math.log10(math.sqrt(1e-3 * _OHM) * 1e6)
_EMF_DB = 20.0 * math.log10(2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """From the drivers' unit to the instrument's, and back. Both raise ValueError for what has no image (0 V has no dBm)."""

    to_theirs: Callable[[float], float]
    to_ours: Callable[[float], float]


def _times(factor: float) -> Conversion:
    return Conversion(to_theirs=lambda ours: ours * factor, to_ours=lambda theirs: theirs / factor)


def _plus(offset_db: float) -> Conversion:
    return Conversion(to_theirs=lambda ours: ours + offset_db, to_ours=lambda theirs: theirs - offset_db)


def _amplitude_of_db(at_0_db: float) -> Conversion:
    """Return the conversion of a figure in dB to an amplitude that is ``at_0_db`` at 0 dB."""
    return Conversion(
        to_theirs=lambda ours: at_0_db * 10.0 ** (ours / 20.0),
        to_ours=lambda theirs: 20.0 * _log(theirs / at_0_db),
    )


def _power_of_db(at_0_db: float) -> Conversion:
    return Conversion(
        to_theirs=lambda ours: at_0_db * 10.0 ** (ours / 10.0),
        to_ours=lambda theirs: 10.0 * _log(theirs / at_0_db),
    )


def _db_of_amplitude(at_0_db: float) -> Conversion:
    """Return the conversion of an amplitude to a figure in dB that is 0 where the amplitude is ``at_0_db``."""
    back = _amplitude_of_db(at_0_db)
    return Conversion(to_theirs=back.to_ours, to_ours=back.to_theirs)


def _log(ratio: float) -> float:
    if not ratio > 0.0:
        raise ValueError("nothing at or below 0 can be given in dB")
    return math.log10(ratio)


_V_AT_0_DBM = math.sqrt(1e-3 * _OHM)

CONVERSIONS: Mapping[str, Mapping[str, Conversion]] = {
    "dBm": {
        "dBm": _plus(0.0),
        "dBuV": _plus(_DBUV_AT_0_DBM),
        "dBuV emf": _plus(_DBUV_AT_0_DBM + _EMF_DB),
        "V": _amplitude_of_db(_V_AT_0_DBM),
        "mV": _amplitude_of_db(_V_AT_0_DBM * 1e3),
        "uV": _amplitude_of_db(_V_AT_0_DBM * 1e6),
        "V emf": _amplitude_of_db(_V_AT_0_DBM * 2.0),
        "mV emf": _amplitude_of_db(_V_AT_0_DBM * 2e3),
        "uV emf": _amplitude_of_db(_V_AT_0_DBM * 2e6),
        "W": _power_of_db(1e-3),
        "mW": _power_of_db(1.0),
    },
    "Hz": {"Hz": _times(1.0), "kHz": _times(1e-3), "MHz": _times(1e-6), "GHz": _times(1e-9)},
    "V": {
        "V": _times(1.0),
        "mV": _times(1e3),
        "uV": _times(1e6),
        "dBV": _db_of_amplitude(1.0),
        "dBu": _db_of_amplitude(math.sqrt(0.6)),  # 0 dBu: 1 mW in 600 ohm, 0.775 V (ITU-T, from memory)
    },
    "°C": {
        "°C": _times(1.0),
        "K": Conversion(to_theirs=lambda ours: ours + 273.15, to_ours=lambda theirs: theirs - 273.15),
        "°F": Conversion(
            to_theirs=lambda ours: 1.8 * ours + 32.0, to_ours=lambda theirs: (theirs - 32.0) / 1.8
        ),
    },
    "A": {"A": _times(1.0), "mA": _times(1e3)},
    "s": {"s": _times(1.0), "ms": _times(1e3), "us": _times(1e6)},
    "percent": {"percent": _times(1.0), "ratio": _times(1e-2), "dB": _db_of_amplitude(100.0)},
    "dB": {"dB": _times(1.0), "ratio": _amplitude_of_db(1.0)},
}
"""By the unit that drivers speak: the units that a profile may name, each with its conversion."""

SWITCH = "on or off"


def units_for(unit: str) -> tuple[str, ...]:
    """Return what a profile may write after ``unit:`` for a command that drivers speak in ``unit``; none where it has no unit."""
    return tuple(CONVERSIONS.get(unit, ()))


def conversion(unit: str, theirs: str) -> Conversion:
    """Return the conversion from the drivers' ``unit`` to ``theirs``; nothing is changed where none is named."""
    return CONVERSIONS[unit][theirs] if theirs else _times(1.0)
