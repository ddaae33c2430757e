"""A result's uncertainty beside the greatest that a document allows: in the document's terms, and no rounding decides."""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError

from sequencer.inputs.greatest_uncertainty import GreatestUncertainty

SEEN = {"clause": "4.5", "basis": "from memory", "source": "nobody"}


def greatest(**figure: str) -> GreatestUncertainty:
    """Return one as a file states it."""
    return GreatestUncertainty.model_validate({**figure, **SEEN})


@pytest.mark.parametrize(
    ("figure", "unit", "value", "within", "beyond"),
    [
        ({"level": "0.75 dB"}, "dBm", -119.9, 0.75, 0.76),
        ({"level": "0.75 dB"}, "dB", 61.0, 0.75, 0.76),
        # 10 lg(1 - 0.1586) = -0.75: 15.9 % of a power, 8.3 % of a voltage
        ({"level": "0.75 dB"}, "W", 4.0, 0.634, 0.635),
        ({"level": "0.75 dB"}, "V", 2.0, 0.1654, 0.1655),
        ({"level": "5 dB"}, "W", 1e-6, 0.683e-6, 0.684e-6),
        ({"share": "5 %"}, "Hz", -2000.0, 100.0, 100.1),
        # 0.1 ppm of 27.205 MHz is 2.7205 Hz
        ({"of_carrier": "0.1 ppm"}, "Hz", 7.0, 2.7205, 2.73),
        ({"difference": "250 Hz"}, "Hz", 7.0, 250.0, 250.1),
    ],
)
def test_what_is_more_than_allowed_is_found_and_nothing_else(
    figure: dict[str, str], unit: str, value: float, within: float, beyond: float
) -> None:
    """Either side of each figure, in each unit that results have; the figures beside are worked out by hand."""
    one = greatest(**figure)
    for expanded, is_more in ((within, False), (beyond, True)):
        own = one.own(value=value, unit=unit, expanded=expanded, frequency_hz=27.205e6)
        assert own is not None
        assert one.is_exceeded(own[0]) is is_more, (figure, unit, expanded, own)


def test_an_interval_that_reaches_nought_is_beyond_any_figure() -> None:
    """A power that may be nothing has no lower side in decibels, and of nought there is no share."""
    for value, unit, one in ((1.0, "W", greatest(level="20 dB")), (0.0, "Hz", greatest(share="100 %"))):
        own = one.own(value=value, unit=unit, expanded=1.0, frequency_hz=None)
        assert own is not None
        assert own[0] == math.inf
        assert one.is_exceeded(own[0])


@pytest.mark.parametrize(
    ("figure", "unit"),
    [
        ({"level": "1 dB"}, "Hz"),
        ({"share": "5 %"}, "dBm"),
        ({"of_carrier": "1 ppm"}, "W"),
        ({"difference": "1 Hz"}, "%"),
    ],
)
def test_what_cannot_be_compared_is_not(figure: dict[str, str], unit: str) -> None:
    """Decibels say nothing of a frequency, a share nothing of a level in decibels."""
    assert not greatest(**figure).compares(unit)
    assert greatest(**figure).own(value=1.0, unit=unit, expanded=9.0, frequency_hz=27e6) is None


@pytest.mark.parametrize(
    ("figure", "said"),
    [({}, "it states no figure"), ({"level": "1 dB", "share": "5 %"}, "it states level, share")],
)
def test_it_is_one_figure(figure: dict[str, str], said: str) -> None:
    """None, or two that might disagree, are refused."""
    with pytest.raises(ValidationError, match=said):
        greatest(**figure)
