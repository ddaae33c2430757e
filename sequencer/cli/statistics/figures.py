"""Figures of an option: numbers that are written in one unit together, and shares in percent."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.problems import option_problem
from sequencer.units.figure import parse_figure
from sequencer.units.format import unit_of_difference
from sequencer.units.parse import PERCENT, QuantityError, parse_quantity


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
    try:
        return parse_figure(text)
    except QuantityError as error:
        raise option_problem(
            option, error.problem, found=error.found, allowed=error.allowed, hint=error.hint
        ) from error
