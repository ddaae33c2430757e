"""How the numbers of one column are written: decimal sign, thousands, decimals, unit; read exactly, and written the same way."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from decimal import Decimal

from sequencer.frozen import dataclass

FACTORS = {"Hz": 0, "kHz": 3, "MHz": 6}
"""Powers of ten of the units that a list's frequencies may be in."""
_NUMBER = re.compile(r"([0-9][0-9.,]*|[.,][0-9]+)\s*(hz|khz|mhz)?", re.IGNORECASE)
_LONGEST = 20
_LEAST_HZ = 100e3
"""No two-way radio works below (common practice, no source): a number that would lie there has thousands set off, not decimals."""
_MHZ_BELOW, _KHZ_BELOW = Decimal(3000), Decimal(300000)
"""Sizes that tell MHz, kHz and Hz apart where neither heading nor cell does: two-way radios work from 0.3 MHz to 3 GHz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberStyle:
    """How a column's numbers are written. ``decimals`` is None where closing zeros are left out; ``whole_digits`` pads with zeros."""

    unit: str
    decimal: str
    thousands: str
    decimals: int | None
    whole_digits: int
    suffix: str

    def read_hz(self, text: str) -> Decimal | None:
        """Return the frequency a cell holds, Hz, exactly; None for what is no frequency."""
        found = _NUMBER.fullmatch(text)
        if found is None or len(text) > _LONGEST:
            return None
        digits = found[1]
        whole, sign, rest = digits.partition(self.decimal)
        if self.decimal in rest or (sign and self.thousands and self.thousands in rest):
            return None
        if self.thousands and self.thousands in whole:
            if re.fullmatch(rf"[0-9]{{1,3}}({re.escape(self.thousands)}[0-9]{{3}})+", whole) is None:
                return None
            whole = whole.replace(self.thousands, "")
        if not re.fullmatch(r"[0-9]*", whole) or not re.fullmatch(r"[0-9]*", rest) or not whole + rest:
            return None
        unit = next((one for one in FACTORS if one.lower() == (found[2] or "").lower()), self.unit)
        hz = Decimal(f"{whole or 0}.{rest or 0}").scaleb(FACTORS[unit])
        return hz if hz > 0 else None

    def write(self, hz: Decimal, like: str = "") -> str:
        """Return a frequency as this column writes it, with the unit of the cell ``like``; with more decimals where it needs them."""
        found = _NUMBER.fullmatch(like)
        stated = found[2] if found is not None else None
        unit = next((one for one in FACTORS if one.lower() == (stated or "").lower()), self.unit)
        number = hz.scaleb(-FACTORS[unit]).normalize()
        needed = max(0, -int(number.as_tuple().exponent))
        text = f"{number:.{max(needed, self.decimals or 0)}f}"
        whole, _, rest = text.partition(".")
        if self.thousands:
            whole = f"{int(whole):,}".replace(",", self.thousands)
        suffix = like[found.end(1) :] if found is not None else self.suffix
        return f"{whole.zfill(self.whole_digits)}{self.decimal + rest if rest else ''}{suffix}"


def style_of(texts: Sequence[str], unit: str | None) -> NumberStyle | None:
    """Return how a column's frequencies are written; ``unit`` where it is known, else from the cells, or from the numbers' size.

    None where its cells do not agree on a decimal sign.
    """
    numbers = [found for text in texts if (found := _NUMBER.fullmatch(text)) is not None]
    stated = Counter(found[2].lower() for found in numbers if found[2])
    if unit is None and stated:
        unit = next(one for one in FACTORS if one.lower() == stated.most_common(1)[0][0])
    digits = [found[1] for found in numbers]
    signs = _signs(numbers, unit)
    if signs is None:
        return None
    decimal, thousands = signs
    plain = [_plain(one, decimal, thousands) for one in digits]
    lengths = {len(rest) for _, rest in plain}
    wholes = [whole for whole, _ in plain]
    padded = any(len(whole) > 1 and whole.startswith("0") for whole in wholes)
    suffixes = Counter(found.string[found.end(1) :] for found in numbers)
    return NumberStyle(
        unit=unit or _unit_by_size(plain),
        decimal=decimal,
        thousands=thousands,
        decimals=lengths.pop() if len(lengths) == 1 else None,
        whole_digits=max(map(len, wholes)) if padded and not thousands else 0,
        suffix=suffixes.most_common(1)[0][0] if suffixes else "",
    )


def _signs(numbers: Sequence[re.Match[str]], unit: str | None) -> tuple[str, str] | None:
    """Return decimal sign and thousands sign ("" where none is used); None where cells contradict each other."""
    digits = [found[1] for found in numbers]
    both = [one for one in digits if "." in one and "," in one]
    if both:
        decimals = {max(".,", key=one.rindex) for one in both}
        if len(decimals) > 1:
            return None
        decimal = decimals.pop()
        return decimal, "," if decimal == "." else "."
    used = [sign for sign in ".," if any(sign in one for one in digits)]
    if len(used) > 1:
        return None
    if used and _sets_off_thousands(numbers, used[0], unit):
        return ("," if used[0] == "." else "."), used[0]
    return (used[0] if used else "."), ""


def _sets_off_thousands(numbers: Iterable[re.Match[str]], sign: str, unit: str | None) -> bool:
    marked = [one for one in numbers if sign in one[1]]
    if not all(re.fullmatch(rf"[0-9]{{1,3}}({re.escape(sign)}[0-9]{{3}})+", one[1]) for one in marked):
        return False
    if any(one[1].count(sign) > 1 for one in marked):
        return True
    # a cell's own unit counts before the column's: 26.965 MHz in a column of kHz has decimals
    return all(
        float(one[1].replace(sign, ".")) * 10.0 ** FACTORS[_unit_of(one[2]) or unit or "MHz"] < _LEAST_HZ
        for one in marked
    )


def _unit_of(text: str | None) -> str | None:
    return next((one for one in FACTORS if one.lower() == (text or "").lower()), None)


def is_plausible(text: str, hz: Decimal) -> bool:
    """Return whether a cell without a unit of its own holds what a two-way radio works on, once it is read with its column's unit."""
    found = _NUMBER.fullmatch(text)
    return (found is not None and found[2] is not None) or _LEAST_HZ <= hz <= _MHZ_BELOW.scaleb(6)


def _plain(digits: str, decimal: str, thousands: str) -> tuple[str, str]:
    whole, _, rest = digits.partition(decimal)
    return (whole.replace(thousands, "") if thousands else whole), rest


def _unit_by_size(plain: Sequence[tuple[str, str]]) -> str:
    sizes = sorted(Decimal(f"{whole or 0}.{rest or 0}") for whole, rest in plain if (whole + rest).isdigit())
    if not sizes or sizes[len(sizes) // 2] < _MHZ_BELOW:
        return "MHz"
    return "kHz" if sizes[len(sizes) // 2] < _KHZ_BELOW else "Hz"
