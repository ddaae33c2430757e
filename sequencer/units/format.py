"""Write quantities as a person reads them: numbers with their unit, with their expanded uncertainty, and durations."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from decimal import ROUND_HALF_EVEN, Context, Decimal

_DECIMALS = {"dBm": 1, "dBuV pd": 1, "dBuV emf": 1, "dB": 2, "°C": 1, "ppm": 2, "%": 1}
_PREFIXES: Mapping[str, tuple[tuple[str, int], ...]] = {
    "Hz": (("GHz", 9), ("MHz", 6), ("kHz", 3), ("Hz", 0)),
    "W": (("kW", 3), ("W", 0), ("mW", -3), ("µW", -6), ("nW", -9), ("pW", -12)),
    "V": (("V", 0), ("mV", -3), ("µV", -6), ("nV", -9)),
    "A": (("A", 0), ("mA", -3), ("µA", -6)),
    "s": (("s", 0), ("ms", -3), ("µs", -6)),
    "ohm": (("Mohm", 6), ("kohm", 3), ("ohm", 0), ("mohm", -3)),
}
_ROUNDING = Context(prec=700, rounding=ROUND_HALF_EVEN)  # any two floats, side by side
_SIGNIFICANT = {"Hz": 9, "W": 4, "V": 4, "A": 4, "s": 4, "ohm": 4}


def format_quantity(value: float, unit: str) -> str:
    """Return ``value`` with its unit for the screen, as `sequencer.units.parse.parse_quantity` reads it back.

    dB-like units keep a fixed number of decimals (dBm 1, dB 2); SI units choose their prefix and drop closing
    zeros (frequencies 9 significant digits, others 4); any other ``unit`` gets 6 significant digits.
    Raises ValueError for a number that is not finite.
    """
    number = _decimal(value)
    if unit in _DECIMALS:
        return _joined(_rounded(number, _DECIMALS[unit]), unit)
    if unit not in _PREFIXES:
        return _joined(_plain(_significant(number, 6)), unit)
    number = _significant(number, _SIGNIFICANT[unit])
    prefixed, power = _prefix(number, unit)
    return _joined(_plain(number.scaleb(-power)), prefixed)


def short_quantity(value: float, unit: str, figures: int = 3) -> str:
    """Return ``value`` to so many significant ``figures`` with its unit for a sentence: without an exponent, an SI unit with its prefix."""
    if not math.isfinite(value):
        return _joined(f"{value:g}", unit)
    number = _significant(_decimal(value), figures)
    prefixed, power = _prefix(number, unit) if unit in _PREFIXES else (unit, 0)
    return _joined(_plain(number.scaleb(-power)), prefixed)


def format_with_uncertainty(value: float, expanded: float, unit: str) -> str:
    """Return ``(value ± expanded) unit``: uncertainty to 2 significant digits, value to the same place.

    Source: JCGM 100:2008 (GUM) 7.2.6. Both share one prefix, chosen by the larger. With ``expanded`` 0 the
    value stands alone. Raises ValueError when either is not finite or ``expanded`` is negative.
    """
    number, spread = _decimal(value), _decimal(expanded)
    if spread < 0:
        raise ValueError(f"an expanded uncertainty is 0 or more, not {expanded!r}")
    if spread == 0:
        return format_quantity(value, unit)
    prefixed, power = _prefix(max(abs(number), spread), unit) if unit in _PREFIXES else (unit, 0)
    spread = _significant(spread, 2)
    place = spread.adjusted() - 1
    number = number.quantize(Decimal(1).scaleb(place), context=_ROUNDING)
    decimals = max(0, power - place)
    shown = (_rounded(part.scaleb(-power), decimals) for part in (number, spread))
    return _joined(f"({' ± '.join(shown)})", prefixed)


def written(number: float, unit: str) -> str:
    """Return a number as a person writes it into a file: an SI unit with its prefix, u for µ, and no exponent."""
    if unit in _PREFIXES:
        return format_quantity(number, unit).replace("µ", "u")
    return _joined(_plain(_decimal(number)), unit)


def range_text(low: float, high: float, unit: str) -> str:
    """Return a range in words, with one unit where both ends have the same: `-200 to 90 dBm`, `20 Hz to 20 kHz`."""
    first, last = written(low, unit), written(high, unit)
    number, _, prefixed = first.partition(" ")
    shares = number == "0" or last.endswith(f" {prefixed}")
    return f"{number if shares else first} to {last}"


def time_text(seconds: float) -> str:
    """Return a duration as people say it: 3.2 s, 45 s, 12 min, 2.5 h."""
    if seconds < 10.0:
        return f"{seconds:.1f} s"
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h"


def unit_of_difference(unit: str) -> str:
    """Return the unit of a difference: two levels in dBm differ by decibels."""
    return "dB" if unit.startswith("dB") else unit


def _decimal(value: float) -> Decimal:
    if not math.isfinite(value):
        raise ValueError(f"only a finite number can be shown, not {value!r}")
    return Decimal(repr(float(value)))


def _significant(number: Decimal, digits: int) -> Decimal:
    if number == 0:
        return Decimal(0)
    return number.quantize(Decimal(1).scaleb(number.adjusted() - digits + 1), context=_ROUNDING)


def _rounded(number: Decimal, decimals: int) -> str:
    rounded = number.quantize(Decimal(1).scaleb(-decimals), context=_ROUNDING)
    return f"{abs(rounded) if rounded == 0 else rounded:f}"


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in {"-0", ""} else text


def _prefix(number: Decimal, unit: str) -> tuple[str, int]:
    choices = _PREFIXES[unit]
    if number == 0:
        return unit, 0
    for prefixed, power in choices:
        if number.adjusted() >= power:
            return prefixed, power
    return choices[-1]


def _joined(number: str, unit: str) -> str:
    return f"{number} {unit}" if unit else number


def counted(number: int, one: str, several: str = "") -> str:
    """Return how many of something: "1 reading", "2 readings"; ``several`` where the plural is not made with an s."""
    return f"{number} {one if number == 1 else several or one + 's'}"


def ranges_text(numbers: Iterable[int]) -> str:
    """Return whole numbers, three or more that follow each other drawn together: `1 to 40, 42, 43`."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs)
