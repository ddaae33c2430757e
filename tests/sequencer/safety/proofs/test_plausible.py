"""A reading that is outside what can be, twice: which of them may be of the unit after all."""

from __future__ import annotations

from typing import Any, cast

import pytest

from drivers.faults import ImpossibleReading
from drivers.roles import Instrument, Reading
from sequencer.safety.proofs.plausible import Span, implausible


class _Meter:
    name, address = "meter", "A::1"


@pytest.mark.parametrize(("unit", "may_be"), [("Hz", False), ("V", False), ("dBm", True)])
def test_only_a_power_beyond_a_rating_may_be_one(unit: str, may_be: bool) -> None:
    """What cannot be is measured again; a power that is too much may be there, and nothing is keyed into it a second time."""
    instrument: Any = _Meter()
    reading = Reading(number=80.0)
    fault = implausible(
        cast(Instrument, instrument),
        "it",
        reading,
        reading,
        Span(low=0.0, high=50.0, unit=unit, why="a rating"),
    )
    assert isinstance(fault, ImpossibleReading) is not may_be
