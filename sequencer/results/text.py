"""How a stored result is worded outside the terminal: in reports and for a build server."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from sequencer.cli.screen import limits_text, value_text

Row = Mapping[str, Any]


def value_in_words(row: Row) -> str:
    """Return a value with its unit and uncertainty; a person's answer is yes or no."""
    if row["unit"] == "" and row["value"] in (0.0, 1.0):
        return "yes" if row["value"] else "no"
    return value_text(row).splitlines()[0]


def voltages_in_words(row: Row) -> str:
    """Return what stands beside a level: its voltages; nothing for other quantities."""
    return ", ".join(value_text(row).splitlines()[1:])


def limits_in_words(row: Row) -> str:
    """Return the limits; none for a person's answer."""
    return "" if row["unit"] == "" else limits_text(row)


def channel_in_words(row: Row) -> str:
    """Return ", channel 20" to follow a quantity, or nothing where there is no channel."""
    return "" if row["channel"] is None else f", channel {row['channel']}"


def with_minus(text: str) -> str:
    """Return text in which numbers below zero carry a true minus sign, as wide as a figure."""
    return re.sub(r"(?<![\w.)-])-(?=\d)", "\N{MINUS SIGN}", text)


def repeats_text(run: str, reason: str) -> str:
    """Return in words what a repeat repeats, and why."""
    return f"{run}, because: {reason}"
