"""Figures of an option: numbers that are written in one unit together, and shares in percent."""

from __future__ import annotations

import re
from collections.abc import Mapping

from sequencer.problems import InputError, option_problem
from sequencer.units.format import unit_of_difference
from sequencer.units.parse import PERCENT, QuantityError, parse_quantity

_FIGURE = re.compile(r"([-+−]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?)\s*(\D.{0,15})?", re.ASCII)
LARGEST = 1e15


def in_one_unit(texts: Mapping[str, str], *, differences: tuple[str, ...]) -> tuple[dict[str, float], str]:
    """Return the numbers of the options that are given, and the unit they share. Raises InputError.

    ``differences``: which of them are differences, which two levels in dBm have in dB.
    """
    found = {option: _figure(option, text) for option, text in texts.items() if text.strip()}
    values = [unit for option, (_, unit) in found.items() if option not in differences]
    unit = next(iter(values), "")
    for option, (_, own) in found.items():
        due = unit_of_difference(unit) if option in differences else unit
        if own != due:
            raise option_problem(
                option,
                f"'{texts[option]}' is not in the unit of the others",
                found=own or "no unit",
                allowed=f"{due or 'a number without a unit'}, as the others are; all in one unit, with one prefix",
            )
    return {option: number for option, (number, _) in found.items()}, unit


def share_of(option: str, text: str, *, least: float = 1e-9, most: float = 1.0 - 1e-9) -> float:
    """Return a share between 0 and 1 that is written in percent. Raises InputError."""
    try:
        share = parse_quantity(text, PERCENT) / 100.0
    except QuantityError as error:
        raise option_problem(
            option,
            error.problem,
            found=error.found,
            allowed="a share in percent, such as '1 %'",
            hint=error.hint,
        ) from error
    if not least <= share <= most:
        raise option_problem(
            option, f"'{text}' is out of range", found=text, allowed="above 0 % and below 100 %"
        )
    return share


def _figure(option: str, text: str) -> tuple[float, str]:
    held = _FIGURE.fullmatch(text.strip())
    if held is None:
        raise _no_figure(option, text)
    number, unit = float(held[1].replace("−", "-")), (held[2] or "").strip()
    if not abs(number) <= LARGEST or not unit.isprintable():
        raise _no_figure(option, text)
    return number, unit


def _no_figure(option: str, text: str) -> InputError:
    return option_problem(
        option, f"'{text[:40]}' is no number with a unit", found=text[:40], allowed="such as '3.8 W' or '3.8'"
    )
