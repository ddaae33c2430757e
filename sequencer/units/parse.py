"""Read quantities as people write them: ``0.35 uV emf``, ``27.185 MHz``, ``30 ms``.

`parse_quantity` turns text into a float in the unit its dimension is kept in. Spelling of units follows the
SI brochure (case matters: m is milli, M is mega), with u for µ and ohm for Ω, because keyboards differ.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import field
from decimal import Decimal
from types import MappingProxyType

from sequencer.frozen import dataclass
from sequencer.units import convert as q
from sequencer.units.format import range_text


class QuantityError(ValueError):
    """Text that is not the quantity that is due: what was found, what is allowed, and a hint."""

    def __init__(self, problem: str, *, found: str, allowed: str, hint: str = "") -> None:
        self.problem = problem
        self.found = found
        self.allowed = allowed
        self.hint = hint
        super().__init__(f"{problem}; allowed: {allowed}" + (f"; {hint}" if hint else ""))


# No eq: there is one of each, and what stands in an annotation must be hashable.
@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dimension:
    """A kind of quantity: the units it may be written in, and the unit it is kept in.

    ``factors`` are exact decimal factors to the kept unit; ``functions`` convert what is not proportional.
    ``refused`` are spellings that are understood and still refused, with the reason. ``least`` and ``most``, in the kept unit, are the
    bounds that physics or the trade sets to any such quantity; a field of a file narrows them.
    """

    name: str
    unit: str
    example: str
    least: float
    most: float
    factors: Mapping[str, Decimal]
    functions: Mapping[str, Callable[[float], float]] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)

    @property
    def units(self) -> tuple[str, ...]:
        """The spellings of the units allowed, in the order they are named in a complaint."""
        return (
            (*self.functions, *self.factors)
            if self.unit in self.functions
            else (*self.factors, *self.functions)
        )

    @property
    def allowed(self) -> str:
        """What a complaint says is allowed."""
        return f"{self.name} in {_listed(self.units)}, {self.bounds}, for example '{self.example}'"

    @property
    def bounds(self) -> str:
        """The bounds as a complaint says them: `-200 to 90 dBm`."""
        return range_text(self.least, self.most, self.unit)


def _factors(**powers: int) -> dict[str, Decimal]:
    return {unit: Decimal(1).scaleb(power) for unit, power in powers.items()}


def _same(number: float) -> float:
    return number


_EMF_OR_PD = "is it emf or pd? write 'uV pd' or 'uV emf', 'dBuV pd' or 'dBuV emf' (emf is twice pd, 6.02 dB)"
_VOLTS = {"nV": -9, "uV": -6, "mV": -3, "V": 0}
_WATTS = {"pW": -12, "nW": -9, "uW": -6, "mW": -3, "W": 0, "kW": 3}


def _scaled(power: int, convert: Callable[[float], float]) -> Callable[[float], float]:
    return lambda number: convert(number * 10.0**power)


_LEVEL_FUNCTIONS: dict[str, Callable[[float], float]] = {
    "dBm": _same,
    "uV pd": q.dbm_from_uv_pd,
    "uV emf": q.dbm_from_uv_emf,
    "dBuV pd": q.dbm_from_dbuv_pd,
    "dBuV emf": q.dbm_from_dbuv_emf,
    "mV pd": _scaled(-3, q.dbm_from_v_pd),
    "mV emf": _scaled(-3, q.dbm_from_v_emf),
    "V pd": q.dbm_from_v_pd,
    "V emf": q.dbm_from_v_emf,
    **{unit: _scaled(power, q.dbm_from_w) for unit, power in _WATTS.items()},
}

LEVEL = Dimension(
    name="a level",
    unit="dBm",
    example="-113 dBm",
    least=-200.0,
    most=100.0,  # from below the thermal noise of 1 Hz (-174 dBm at 290 K) to ten megawatts
    factors={},
    functions=_LEVEL_FUNCTIONS,
    refused=dict.fromkeys((*_VOLTS, "dBuV"), _EMF_OR_PD)
    | {"dB": "dB is a ratio; a level is in dBm (dB above 1 mW)"},
)
FREQUENCY = Dimension(
    name="a frequency",
    unit="Hz",
    example="27.185 MHz",
    least=0.001,
    most=3e12,  # radio waves end at 3000 GHz by convention: ITU Radio Regulations, No. 1.5 (from memory)
    factors=_factors(Hz=0, kHz=3, MHz=6, GHz=9),
)
FREQUENCY_DIFFERENCE = Dimension(
    name="a frequency difference",
    unit="Hz",
    example="600 Hz",
    least=-3e12,
    most=3e12,
    factors=_factors(Hz=0, kHz=3, MHz=6),
    refused={"ppm": "ppm needs a carrier to refer to; write Hz or kHz"},
)
RELATIVE = Dimension(
    name="a relative difference",
    unit="ppm",
    example="0.1 ppm",
    least=-1e6,
    most=1e6,  # all of it, either way
    factors={"ppm": Decimal(1), "ppb": Decimal("0.001")},
    refused={"%": "1 % is 10000 ppm"},
)
RATIO = Dimension(
    name="a ratio",
    unit="dB",
    example="12 dB",
    least=-300.0,
    most=300.0,  # wider than from thermal noise to a megawatt
    factors={"dB": Decimal(1)},
    refused={
        "dBm": "dBm is a level; a ratio is in dB",
        "%": "a percentage does not say whether it is of power or of voltage; write dB",
    },
)
PERCENT = Dimension(
    name="a percentage",
    unit="%",
    example="60 %",
    least=-1000.0,
    most=1000.0,
    factors={"%": Decimal(1), "percent": Decimal(1)},
)
POWER = Dimension(
    name="a power",
    unit="W",
    example="4 W",
    least=0.0,
    most=1e5,  # far beyond any two-way radio
    factors=_factors(**_WATTS),
    functions={"dBm": q.w_from_dbm},
    refused={"dB": "dB is a ratio; a power is in W or dBm", "MW": "M is mega, m is milli"},
)
VOLTAGE = Dimension(
    name="a voltage",
    unit="V",
    example="13.2 V",
    least=-1e4,
    most=1e4,  # the anode of a large transmitter valve stands at several kilovolts (common practice, no source)
    factors=_factors(V=0, mV=-3, uV=-6, nV=-9, kV=3),
    refused={"MV": "M is mega, m is milli"},
)
CURRENT = Dimension(
    name="a current",
    unit="A",
    example="1.5 A",
    least=-1000.0,
    most=1000.0,
    factors=_factors(A=0, mA=-3, uA=-6),
    refused={"MA": "M is mega, m is milli"},
)
TIME = Dimension(
    name="a time",
    unit="s",
    example="30 ms",
    least=0.0,
    most=1e6,  # eleven days: no test of a radio lasts longer (common practice, no source)
    factors=_factors(s=0, ms=-3, us=-6) | {"min": Decimal(60), "h": Decimal(3600)},
    refused={
        "sec": "the second is written s",
        "m": "m is metre; the minute is written min, the millisecond ms",
        "S": "S is siemens; the second is written s",
        "Ms": "M is mega, m is milli",
    },
)
TEMPERATURE = Dimension(
    name="a temperature",
    unit="°C",
    example="23 °C",
    least=-273.15,
    most=1000.0,  # from absolute zero
    factors={"°C": Decimal(1), "degC": Decimal(1)},
    refused={"C": "C is coulomb; write °C or degC", "K": "temperatures are in °C here", "°F": "write °C"},
)
RESISTANCE = Dimension(
    name="a resistance",
    unit="ohm",
    example="8 ohm",
    least=0.0,
    most=1e9,
    factors={"ohm": Decimal(1), "mohm": Decimal("0.001"), "kohm": Decimal(1000), "Mohm": Decimal(1000000)},
    refused={"Ohm": "the unit is written ohm or Ω", "R": "the unit is written ohm or Ω"},
)

DIMENSIONS: Mapping[str, Dimension] = MappingProxyType(
    {
        "level": LEVEL,
        "frequency": FREQUENCY,
        "frequency difference": FREQUENCY_DIFFERENCE,
        "relative": RELATIVE,
        "ratio": RATIO,
        "percent": PERCENT,
        "power": POWER,
        "voltage": VOLTAGE,
        "current": CURRENT,
        "time": TIME,
        "temperature": TEMPERATURE,
        "resistance": RESISTANCE,
    }
)

# Only look-alikes with one meaning are folded. NFKC is not used: it would read 10² Hz as 102 Hz.
_FOLDED = str.maketrans(
    {"\u00b5": "u", "\u03bc": "u", "\u2126": "ohm", "\u03a9": "ohm", "\u2212": "-", "\u2103": "°C"}
    | dict.fromkeys("\u00a0\u2007\u2009\u200a\u202f\t", " ")
)
_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_QUANTITY = re.compile(rf"({_NUMBER})\s*(\S.*)?", re.DOTALL)
_LONGEST = 60


def parse_quantity(text: str, dimension: Dimension | str) -> float:
    """Return the number that ``text`` states, in the unit ``dimension`` is kept in (LEVEL in dBm, TIME in s).

    ``dimension`` is one of `DIMENSIONS` or its name. Raises QuantityError: for a bare number, another unit, a
    wrong case (``mhz``), a voltage level that does not say emf or pd, a number out of bounds or not finite.
    """
    if isinstance(dimension, str):
        dimension = DIMENSIONS[dimension]
    if len(text) > _LONGEST:
        raise _refuse(dimension, text[:_LONGEST] + "…", "found a long text", f"at most {_LONGEST} characters")
    folded = text.translate(_FOLDED).strip()
    match = _QUANTITY.fullmatch(folded)
    if match is None:
        raise _refuse(dimension, text, f"'{text}' does not start with a number", _hint_for_number(folded))
    number, unit = match[1], " ".join((match[2] or "").split())
    if not unit:
        raise _refuse(
            dimension,
            text,
            f"'{text}' has no unit",
            f"write its unit, as in {_with_units(number, dimension)}",
        )
    spelling = _spelling(unit, dimension, text)
    return bounded(_converted(number, spelling, dimension, text), dimension, text)


def _with_units(number: str, dimension: Dimension) -> str:
    """Return a bare number as it may have been meant, the likelier first: 20 of a time is 20 s; below 100 000 a frequency is in MHz."""
    units = dict.fromkeys((dimension.unit, dimension.example.split(" ", 1)[1]))
    likelier = reversed(units) if dimension is FREQUENCY and abs(float(number)) < 1e5 else units
    return " or ".join(f"'{number} {unit}'" for unit in likelier)


def _refuse(dimension: Dimension, found: str, problem: str, hint: str = "") -> QuantityError:
    return QuantityError(problem, found=found, allowed=dimension.allowed, hint=hint)


def _hint_for_number(folded: str) -> str:
    if folded[:1] in {"–", "—"}:
        return "that is a dash; write the minus sign '-'"
    if folded.lower().lstrip("+-").startswith(("nan", "inf", ".nan", ".inf")):
        return "a finite number is due"
    return ""


def _spelling(unit: str, dimension: Dimension, text: str) -> str:
    if unit in dimension.factors or unit in dimension.functions:
        return unit
    spelling = re.sub(r"\s*\(?\b(emf|pd)\)?$", r" \1", unit)
    spelling = re.sub(r"^(d?B?[numk]?V)(emf|pd)$", r"\1 \2", spelling)
    if spelling in dimension.units:
        return spelling
    if spelling[:1] == ",":
        raise _refuse(
            dimension,
            text,
            f"'{text}' has a comma",
            "the decimal sign is a point, and digits are not grouped",
        )
    if spelling[:1] in set("0123456789._'²³¹"):
        raise _refuse(
            dimension, text, f"'{text}' is not one number and a unit", "digits are written without gaps"
        )
    raise _refuse(dimension, text, f"'{text}' is not {dimension.name}", _hint_for_unit(spelling, dimension))


def _hint_for_unit(spelling: str, dimension: Dimension) -> str:
    reason = dimension.refused.get(spelling, "")
    alike = [unit for unit in dimension.units if unit.casefold() == spelling.casefold()]
    if alike:
        reason = f"{reason}; " if reason else ""
        return f"{reason}did you mean {' or '.join(alike)}? (upper and lower case differ)"
    if reason:
        return reason
    for other in sorted(DIMENSIONS.values(), key=lambda one: spelling not in one.factors):
        if spelling in other.units and other.name != dimension.name:
            return f"'{spelling}' is for {other.name}"
    return f"unknown unit '{spelling}'"


def _converted(number: str, spelling: str, dimension: Dimension, text: str) -> float:
    # Decimal: 27.60125 * 1e6 in binary is 27601250.000000004 on the way; here it is rounded once.
    try:
        if spelling in dimension.factors:
            return float(Decimal(number) * dimension.factors[spelling])
        return dimension.functions[spelling](float(number))
    except (ValueError, OverflowError) as error:
        raise _refuse(dimension, text, f"'{text}' is not possible", str(error)) from error


def bounded(number: float, dimension: Dimension, text: str) -> float:
    """Return ``number``, in the unit ``dimension`` is kept in.

    Raises QuantityError, which shows ``text``, for one that is out of bounds or not finite.
    """
    if not math.isfinite(number):
        raise _refuse(dimension, text, f"'{text}' is too large", "a finite number is due")
    if number < dimension.least:
        raise _refuse(dimension, text, f"'{text}' is too small")
    if number > dimension.most:
        raise _refuse(dimension, text, f"'{text}' is too large")
    return number + 0.0  # -0 becomes 0


def _listed(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]


def quantity_pattern(dimension: Dimension) -> str:
    """Return a regular expression (ECMA 262, for JSON Schema) of the text that states ``dimension``.

    Bounds are not in it; a few unusual spellings `parse_quantity` also reads are left out.
    """
    units = "|".join(_escaped(unit) for unit in dimension.units)
    number = _NUMBER.replace("[+-]?(?:[0-9]+", "[+\\-\u2212]?(?:[0-9]+", 1)
    return rf"^\s*{number}\s*(?:{units})\s*$"


def _escaped(unit: str) -> str:
    unit = re.sub(r"u(?=[VWAs])", "[u\u00b5\u03bc]", unit)
    return unit.replace("ohm", "(?:ohm|\u2126|\u03a9)")
