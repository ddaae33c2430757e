"""Read a number with any unit as people write it: ``3.8 W``, ``-113 dBm``, ``3.8``; the unit is not looked up.

`sequencer.units.parse` reads quantities of a known dimension; here whoever writes chooses the unit, so that all that could be the rest of
a number (a comma, a second point, grouped digits) must not be taken for one.
"""

from __future__ import annotations

import re

from sequencer.units.parse import QuantityError

LARGEST = 1e15
"""The largest number either way: beyond the largest quantity a file can state (3000 GHz is 3e12 Hz)."""
_NUMBER = re.compile(r"([-+−]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+−]?\d{1,3})?)(.*)", re.ASCII | re.DOTALL)
_REST_OF_NUMBER = re.compile(r"[-+−]?[\d.]*[,'’٫٬]")
_LONGEST_UNIT = 16
_BEFORE_UNIT = "°%‰/("
ALLOWED = "such as '3.8 W' or '3.8'"


def parse_figure(text: str) -> tuple[float, str]:
    """Return the number and its unit, which may be empty. Raises QuantityError: for a comma, grouped digits, too large a number."""
    written = text.strip()
    if _REST_OF_NUMBER.match(written):
        raise _refused(
            text,
            "has a comma" if "," in written else "is not one number and a unit",
            "the decimal sign is a point: write a point in its place; digits are not grouped",
        )
    held = _NUMBER.fullmatch(written)
    if held is None:
        raise _refused(text, "is no number with a unit")
    number, unit = float(held[1].replace("−", "-")), held[2].strip()
    if not abs(number) <= LARGEST:
        raise QuantityError(
            f"'{text[:40]}' is no number with a unit: it is too large",
            found=text[:40],
            allowed=f"at most {LARGEST:g} either way",
        )
    if not _may_be_unit(unit):
        raise _refused(text, "is no number with a unit")
    return number, unit


def _may_be_unit(unit: str) -> bool:
    if not unit:
        return True
    begins = unit[0].isalpha() or unit[0] in _BEFORE_UNIT
    return begins and len(unit) <= _LONGEST_UNIT and unit.isprintable() and not set(unit) & set(",;'’=")


def _refused(text: str, what: str, hint: str = "") -> QuantityError:
    return QuantityError(f"'{text[:40]}' {what}", found=text[:40], allowed=ALLOWED, hint=hint)
