"""Numbers with a unit of the writer's choice: nothing that could be the rest of a number is taken for the unit."""

from __future__ import annotations

import pytest

from sequencer.units.figure import parse_figure
from sequencer.units.parse import QuantityError


@pytest.mark.parametrize(
    ("text", "due"),
    [
        ("3.8 W", (3.8, "W")),
        ("3.8", (3.8, "")),
        ("−113dBm", (-113.0, "dBm")),
        ("+.5e-3 m/s²", (5e-4, "m/s²")),
        ("12 °C", (12.0, "°C")),
        ("1 %", (1.0, "%")),
        ("4 Ω", (4.0, "Ω")),
        ("2 µV emf", (2.0, "µV emf")),
    ],
)
def test_number_and_unit_are_told_apart(text: str, due: tuple[float, str]):
    """As people write them, the minus sign of typography too."""
    assert parse_figure(text) == due


@pytest.mark.parametrize("text", ["2,5", "-3,2 W", ",5", "3.200,5 W", "1'000 W", "1e5,3"])
def test_a_comma_is_not_cut_off(text: str):
    """Said that a point is due in its place, and no unit ',5' is made of it."""
    with pytest.raises(QuantityError) as caught:
        parse_figure(text)
    assert text.startswith("1e5") or "a point in its place" in caught.value.hint


@pytest.mark.parametrize(
    "text", ["", "W", "=1+1", "1 000 W", "1_000 W", "3.2.1 W", "1e300", "3 W, 4 W", "3 \x1bW", "٣", "nan"]
)
def test_what_is_no_number_with_a_unit_is_refused(text: str):
    """Each in words."""
    with pytest.raises(QuantityError, match="is no number with a unit"):
        parse_figure(text)
