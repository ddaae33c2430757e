"""What stands on a person's dial: numbers and units as they are typed and shown, and SI units behind them.

A level of 0 dBm is 1 mW into 50 ohm, 223.6 mV across it (potential difference, pd) and twice that open (electromotive force, emf).
A signal meter's S-unit is 6 dB (IARU Region 1 R.1); what a dial in S-units shows is turned into the voltage of the meter line.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from decimal import Decimal

from drivers.frozen import dataclass

OHMS = 50.0
_DBM_AT_1_UV = 10.0 * math.log10(1e-12 / OHMS / 1e-3)
DB_PER_S_UNIT = 6.0  # IARU Region 1 R.1
_NUMBER = re.compile(
    r"(?P<number>[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?)\s*(?P<unit>.*)", re.ASCII
)
_DIGITS = re.compile(r"\d+(?:[.,]\d*)?(?!.*\d)", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)
_S_READING = re.compile(
    r"[sS]?\s*(?P<units>\d(?:[.,]\d+)?)\s*(?:\+\s*(?P<over>\d{1,2}(?:[.,]\d+)?)\s*(?:dB)?)?", re.I | re.ASCII
)
_LONGEST = 60


class NotOnDial(ValueError):
    """What was typed is no number of this dial; the text says what was found and what is allowed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dial:
    """One quantity as a person reads it.

    ``units`` turns a number in each unit that may be typed into the reading's own unit; ``unit`` is the one on the dial, taken
    where none is typed. ``low`` and ``high`` (in the reading's unit) bound what can be true; ``leap`` says whether
    a reading after another is more likely a slip.
    """

    quantity: str
    unit: str
    units: Mapping[str, Callable[[float], float]]
    low: float
    high: float
    show: Callable[[float], str]
    leap: Callable[[float, float], bool]
    parse: Callable[[Dial, str], float] | None = None

    def read(self, typed: str) -> float:
        """Return what was typed, in the reading's own unit. Raises NotOnDial."""
        number = self.parse(self, typed) if self.parse is not None else self._parse(typed)
        if not self.low <= number <= self.high:
            raise NotOnDial(f"{typed!r} is outside {self.allowed_range}")
        return number

    def step_of(self, typed: str) -> float:
        """Return what one more in the last digit of ``typed`` would change, in the reading's own unit; 0 where nothing tells."""
        found = _DIGITS.search(typed)
        if found is None:
            return 0.0
        digits = found.group().replace(",", ".")
        try:
            more = Decimal(digits) + Decimal((0, (1,), Decimal(digits).as_tuple().exponent))  # type: ignore[arg-type]
            read = self.parse or Dial._parse
            shown = f"{typed[: found.start()]}{more}{typed[found.end() :]}"
            return abs(read(self, shown) - read(self, typed))
        except (NotOnDial, ArithmeticError):
            return 0.0

    @property
    def allowed_range(self) -> str:
        """The range in words, in the dial's unit."""
        return f"{self.show(self.low)} to {self.show(self.high)}"

    @property
    def allowed(self) -> str:
        """What may be typed, in words."""
        others = ", ".join(unit for unit in self.units if unit != self.unit)
        return f"a number in {self.unit}" + (f" (or with its unit: {others})" if others else "")

    def _parse(self, typed: str) -> float:
        match = _NUMBER.fullmatch(typed)
        if match is None:
            raise NotOnDial(f"{shortened(typed)} is not a number")
        unit = match["unit"].strip() or self.unit
        convert = {_unit_key(name): turn for name, turn in self.units.items()}.get(_unit_key(unit))
        if convert is None:
            raise NotOnDial(f"{shortened(unit)} is not a unit of {self.quantity}")
        number = convert(decimal(match["number"]))
        if math.isnan(number):
            raise NotOnDial(f"{shortened(typed)} is not a number")
        return number


def decimal(text: str) -> float:
    """Return a number with a decimal point or comma. NotOnDial where a comma might part thousands."""
    if _THOUSANDS.fullmatch(text):
        raise NotOnDial(
            f"{text!r} may mean {text.replace(',', '.')} or {text.replace(',', '')}: write a decimal point, or no comma"
        )
    return float(text.replace(",", "."))


def shortened(text: str) -> str:
    """Return typed text as it may be shown: printable, quoted, not endless."""
    shown = text if len(text) <= _LONGEST else text[:_LONGEST] + "..."
    return repr(shown).encode("ascii", "backslashreplace").decode()


def plain(typed: str) -> str:
    """Return what was typed with one kind of minus, micro and blank, none around it."""
    for found, meant in (("\u2212", "-"), ("\u2013", "-"), ("\u00b5", "u"), ("\u03bc", "u")):
        typed = typed.replace(found, meant)
    return " ".join(typed.split())


def _unit_key(unit: str) -> str:
    # 3 MW is not 3 mW: the first letter of a longer unit keeps its case, the rest does not matter.
    squeezed = unit.replace(" ", "")
    return squeezed[:1] + squeezed[1:].lower() if squeezed[:1] in "mM" else squeezed.lower()


# -- levels that are set ------------------------------------------------------------------------------------------


def written_level(level_dbm: float, unit: str) -> tuple[str, float]:
    """Return a level as the dial in ``unit`` can show it (0.1 dB, or three digits), and what that is in dBm.

    Rounded to the nearest; never up above -30 dBm, where ratings lie.
    """
    if unit == "dBm":
        tenths = 10.0 * level_dbm
        shown = (math.floor(tenths + 1e-9) if level_dbm > -30.0 else round(tenths)) / 10.0
        return f"{shown:.1f} dBm", shown
    factor = 2.0 if unit.endswith("emf") else 1.0
    microvolts = 1e6 * factor * math.sqrt(OHMS * 1e-3 * 10.0 ** (level_dbm / 10.0))
    step = 10.0 ** (math.floor(math.log10(microvolts)) - 2)
    digits = microvolts / step
    microvolts = step * (math.floor(digits + 1e-9) if level_dbm > -30.0 else round(digits))
    kind = unit.rpartition(" ")[2]
    # A dial in microvolts has millivolt ranges above a thousand.
    text = f"{microvolts / 1e3:.3g} mV {kind}" if microvolts >= 999.5 else f"{microvolts:#.3g} uV {kind}"
    return text.replace(". ", " "), 10.0 * math.log10((1e-6 * microvolts / factor) ** 2 / OHMS / 1e-3)


LEVEL_UNITS = ("dBm", "uV emf", "uV pd")


# -- dials that are read ------------------------------------------------------------------------------------------


def sinad_dial() -> Dial:
    """SINAD in dB, 0 to 60."""
    return Dial(
        quantity="SINAD", unit="dB", units={"dB": _same}, low=0.0, high=60.0,
        show=lambda db: f"{db:.1f} dB", leap=lambda last, now: abs(now - last) > 35.0,
    )  # fmt: skip


def power_dial(unit: str, most_w: float) -> Dial:
    """Average power; readings in W."""
    units: dict[str, Callable[[float], float]] = {
        "W": _same, "mW": _times(1e-3), "uW": _times(1e-6), "kW": _times(1e3), "dBm": _w_from_dbm,
    }  # fmt: skip
    return Dial(
        quantity="power", unit=unit, units=units, low=0.0, high=most_w,
        show=_show_dbm if unit == "dBm" else lambda w: _si(w, "W"), leap=_tenfold(0.0),
    )  # fmt: skip


def spectrum_dial() -> Dial:
    """A level on a spectrum analyser's screen, -174 dBm (thermal noise in 1 Hz) to 60 dBm."""
    return Dial(
        quantity="level", unit="dBm", units={"dBm": _same, "dBuV": lambda dbuv: dbuv + _DBM_AT_1_UV}, low=-174.0, high=60.0,
        show=lambda dbm: f"{dbm:.2f} dBm", leap=lambda last, now: False,
    )  # fmt: skip


def voltage_dial(low_v: float = -100.0, high_v: float = 100.0) -> Dial:
    """A direct or alternating voltage, V."""
    return Dial(
        quantity="voltage", unit="V", units={"V": _same, "mV": _times(1e-3), "uV": _times(1e-6)},
        low=low_v, high=high_v, show=lambda v: _si(v, "V"), leap=_tenfold(1.0),
    )  # fmt: skip


def s_unit_dial(s9_v: float, s_unit_v: float) -> Dial:
    """A signal meter's scale, S0 to S9+60; readings are the voltage of a line that is ``s9_v`` at S9, ``s_unit_v`` a unit."""

    def volts(units: float) -> float:
        return s9_v + (units - 9.0) * s_unit_v

    def show(line_v: float) -> str:
        units = 9.0 + (line_v - s9_v) / s_unit_v
        return f"S{units:.3g}" if units <= 9.0 else f"S9+{DB_PER_S_UNIT * (units - 9.0):.3g} dB"

    def parse(_dial: Dial, typed: str) -> float:
        match = _S_READING.fullmatch(typed)
        if match is None or (match["over"] and decimal(match["units"]) != 9.0):
            raise NotOnDial(f"{shortened(typed)} is not on a signal meter's scale")
        over_db = decimal(match["over"]) if match["over"] else 0.0
        return volts(decimal(match["units"]) + over_db / DB_PER_S_UNIT)

    ends = sorted((volts(0.0), volts(9.0 + 60.0 / DB_PER_S_UNIT)))
    return Dial(
        quantity="signal meter", unit="S units, to a quarter of one (S6.75, S9+5)", units={"S units": _same}, low=ends[0] - 1e-9,
        high=ends[1] + 1e-9, show=show, leap=lambda last, now: abs(now - last) > 15.0 * abs(s_unit_v), parse=parse,
    )  # fmt: skip


def deviation_dial() -> Dial:
    """Peak deviation, 0 to 100 kHz; readings in Hz."""
    return Dial(
        quantity="deviation", unit="kHz", units={"kHz": _times(1e3), "Hz": _same}, low=0.0, high=1e5,
        show=lambda hz: f"{hz / 1e3:.3g} kHz", leap=_tenfold(100.0),
    )  # fmt: skip


def frequency_dial(expected_hz: float | None) -> Dial:
    """A carrier's frequency, within 1 % of the one expected; readings in Hz."""
    low, high = (1e4, 1e11) if expected_hz is None else (0.99 * expected_hz, 1.01 * expected_hz)
    units = {"MHz": _times(1e6), "kHz": _times(1e3), "Hz": _same, "GHz": _times(1e9)}
    return Dial(
        quantity="frequency", unit="MHz", units=units, low=low, high=high,
        show=lambda hz: f"{hz / 1e6:.6f} MHz", leap=lambda last, now: abs(now / last - 1.0) > 1e-3,
    )  # fmt: skip


def temperature_dial() -> Dial:
    """The temperature of air, -100 to 250 °C."""
    return Dial(
        quantity="temperature", unit="°C", units={"°C": _same, "degC": _same}, low=-100.0, high=250.0,
        show=lambda c: f"{c:.1f} °C", leap=lambda last, now: False,
    )  # fmt: skip


def current_dial(most_a: float) -> Dial:
    """A direct current, A."""
    return Dial(
        quantity="current", unit="A", units={"A": _same, "mA": _times(1e-3)}, low=0.0, high=most_a,
        show=lambda a: _si(a, "A"), leap=_tenfold(0.5),
    )  # fmt: skip


def _same(number: float) -> float:
    return number


def _times(factor: float) -> Callable[[float], float]:
    return lambda number: number * factor


def _tenfold(least: float) -> Callable[[float, float], bool]:
    """Return a test for a slipped decimal point: eight times more or less, and further apart than ``least``."""

    def leap(last: float, now: float) -> bool:
        small, large = sorted((abs(last), abs(now)))
        return large > 8.0 * small and small > 0.0 and large - small > least

    return leap


def _w_from_dbm(level_dbm: float) -> float:
    return math.inf if level_dbm > 300.0 else 1e-3 * 10.0 ** (level_dbm / 10.0)


def _show_dbm(power_w: float) -> str:
    return f"{10.0 * math.log10(power_w / 1e-3):.1f} dBm" if power_w > 0 else "no power"


def _si(number: float, unit: str) -> str:
    if number == 0:
        return f"0 {unit}"
    for prefix, size in (("k", 1e3), ("", 1.0), ("m", 1e-3)):
        if abs(number) >= size:
            return f"{number / size:.4g} {prefix}{unit}"
    return f"{number * 1e6:.4g} u{unit}"


def dbm_from_w(power_w: float) -> float:
    """Return a power above 0 in dBm."""
    return 10.0 * math.log10(power_w / 1e-3)
