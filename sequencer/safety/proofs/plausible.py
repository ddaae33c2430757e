"""What a reading may be on this bench: outside that it is read again, and then it is no reading.

The spans are wide: a faulty unit must still be measured, and found faulty. They keep out what no unit gives here: a reply that lost
its last digits or its exponent, one scaled by ten, an instrument on another range than it says. Where a figure is not the bench
file's, it is common practice and has no source.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable

from drivers.faults import ImpossibleReading, UnexpectedReply
from drivers.roles import Instrument, Reading
from sequencer.frozen import dataclass

MARGIN_DB = 3.0  # above a rating a faulty unit may still be, and must be told so
ABOVE_RATED_DB = 6.0  # no output stage gives four times what the most of its kind may give
LEAST_DBM = -30.0  # 1 µW at the antenna connector is no transmitter
LEAST_DEVIATION_HZ = 2.0  # hum and noise alone swing every carrier by more
SHARE_OF_SPACING = (
    0.75  # a unit that swings over three quarters of a channel spacing would be heard three channels on
)
LEAST_TOP_DEVIATION_HZ = 7_500.0
CARRIER_SHARE = (
    0.02  # the whole 27 MHz band is 1.6 % wide: a wrong channel lies inside, a lost digit does not
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """What a reading may be, both ends included, in ``unit``; ``why`` says whose bound it is."""

    low: float
    high: float
    unit: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFacts:
    """What is known of the unit and its channel before it is measured; None where nobody has said."""

    carrier_hz: float
    rated_power_w: float | None = None
    spacing_hz: float | None = None

    @classmethod
    def of(cls, carrier_hz: float, rated_power_w: float | None, channels_hz: Iterable[float]) -> UnitFacts:
        """Return the facts of a unit on ``carrier_hz`` whose plan has ``channels_hz``."""
        apart_hz = [high - low for low, high in itertools.pairwise(sorted(set(channels_hz)))]
        return cls(carrier_hz=carrier_hz, rated_power_w=rated_power_w, spacing_hz=min(apart_hz, default=None))


def power_span(facts: UnitFacts, *, path_rating_dbm: float, meter_top_dbm: float) -> Span:
    """Return what a power at the antenna connector may be, dBm; ``meter_top_dbm`` is the meter's most, at the connector."""
    tops = [
        (path_rating_dbm + MARGIN_DB, "the rating of the transmit path"),
        (meter_top_dbm + MARGIN_DB, "what the power meter takes"),
    ]
    if facts.rated_power_w is not None:
        rated_dbm = 10.0 * math.log10(facts.rated_power_w * 1e3)
        tops.append((rated_dbm + ABOVE_RATED_DB, "rated_power of the sequence"))
    top_dbm, why = min(tops)
    return Span(low=LEAST_DBM, high=top_dbm, unit="dBm", why=why)


def frequency_span(facts: UnitFacts) -> Span:
    """Return what a carrier's frequency may be, Hz."""
    wide_hz = CARRIER_SHARE * facts.carrier_hz
    return Span(
        low=facts.carrier_hz - wide_hz,
        high=facts.carrier_hz + wide_hz,
        unit="Hz",
        why="2 % about the channel",
    )


def deviation_span(facts: UnitFacts) -> Span:
    """Return what a peak deviation may be, Hz."""
    spacing_hz = facts.spacing_hz if facts.spacing_hz is not None else 25e3
    top_hz = max(SHARE_OF_SPACING * spacing_hz, LEAST_TOP_DEVIATION_HZ)
    return Span(
        low=LEAST_DEVIATION_HZ, high=top_hz, unit="Hz", why=f"channels {spacing_hz / 1e3:g} kHz apart"
    )


def current_span(limit_a: float) -> Span:
    """Return what a supply current may be, A: its own limit holds it."""
    return Span(low=-0.05, high=1.05 * limit_a, unit="A", why="the supply's current limit")


RMS_DEVIATION = Span(low=0.01, high=20e3, unit="Hz", why="what a radio's modulation can be")
DEPTH = Span(low=0.05, high=200.0, unit="%", why="what amplitude modulation can be")
DISTORTION = Span(low=0.005, high=105.0, unit="%", why="distortion and noise are a share of the whole")
SINAD = Span(low=-10.0, high=80.0, unit="dB", why="no receiver's audio is cleaner than 80 dB")
AUDIO_LEVEL = Span(low=-0.01, high=100.0, unit="V", why="what a loudspeaker output gives")
AUDIO_FREQUENCY = Span(low=1.0, high=100e3, unit="Hz", why="audio")
METER_LINE = Span(low=-60.0, high=60.0, unit="V", why="what a signal-meter line can carry")
SELECTIVE = Span(low=-174.0, high=90.0, unit="dBm", why="thermal noise")

SPECTRUM = Span(low=-200.0, high=60.0, unit="dBm", why="thermal noise, and what an input bears")


def tone_span(tone_hz: float | None) -> Span:
    """Return what the tone at a loudspeaker may be counted as, Hz: the one that was asked for, or hiss in the band of speech."""
    low_hz, high_hz = (
        (200.0, 5e3) if tone_hz is None else (min(200.0, tone_hz / 2.0), max(5e3, 2.0 * tone_hz))
    )
    return Span(
        low=low_hz, high=high_hz, unit="Hz", why="the tone it was given, or hiss in the band of speech"
    )


def meter_span(supply_v: float | None) -> Span:
    """Return what a signal meter's line may carry, V: no more than the unit is fed with, give or take a tenth and a volt."""
    if supply_v is None:
        return METER_LINE
    most_v = min(METER_LINE.high, 1.1 * supply_v + 1.0)
    return Span(low=-most_v, high=most_v, unit="V", why="what the unit is fed with")


def transmit_spans(
    facts: UnitFacts, *, path_rating_dbm: float, meter_top_dbm: float, supply_limit_a: float
) -> dict[str, Span]:
    """Return what each reading of the transmit side may be, by its name."""
    power = power_span(facts, path_rating_dbm=path_rating_dbm, meter_top_dbm=meter_top_dbm)
    deviation = deviation_span(facts)
    return {
        "power": power,
        "peak envelope power": power,
        "frequency": frequency_span(facts),
        "deviation, positive": deviation,
        "deviation, negative": deviation,
        "rms deviation": RMS_DEVIATION,
        "depth, positive": DEPTH,
        "depth, negative": DEPTH,
        "rms depth": DEPTH,
        "distortion": DISTORTION,
        "selective level": Span(low=SELECTIVE.low, high=power.high, unit="dBm", why=power.why),
        "supply current": current_span(supply_limit_a),
        "spectrum": SPECTRUM,
        "spectrum beside the carrier": SPECTRUM,
    }


_EXPONENT = re.compile(r"[Ee]")
_DIGITS = re.compile(r"\.(\d*)")
WITH_FLOOR = ("power", "peak envelope power", "deviation, positive", "deviation, negative")
"""What is read as a trifle where the unit does not do what it should."""
MISSING_DIGITS = 2  # fewer than usual: an instrument that leaves out a zero at the end misses one


class Form:
    """How an instrument usually writes a reading: with an exponent, with so many decimals. A reply cut short stands out."""

    def __init__(self) -> None:
        self._has_exponent = False
        self._decimals = 0

    def is_short(self, raw: str) -> bool:
        """Say whether ``raw`` misses what earlier replies had, and learn from one that does not."""
        has_exponent, decimals = _form_of(raw)
        short = (self._has_exponent and not has_exponent) or decimals <= self._decimals - MISSING_DIGITS
        self._has_exponent |= has_exponent
        self._decimals = max(self._decimals, decimals)
        return short


def shown_step(raws: Iterable[str]) -> float:
    """Return the step of the last digit shown in the most exact of several answers; 0 where none of them is a plain number."""
    steps = [_step_of(raw) for raw in raws]
    return min((step for step in steps if step > 0.0), default=0.0)


def _step_of(raw: str) -> float:
    try:
        float(raw)
    except ValueError:
        return 0.0
    parts = _EXPONENT.split(raw.strip())
    exponent = int(parts[1]) if len(parts) > 1 else 0
    return float(10.0 ** (exponent - _form_of(raw)[1]))


def _form_of(raw: str) -> tuple[bool, int]:
    mantissa = _EXPONENT.split(raw.strip())[0]
    found = _DIGITS.search(mantissa)
    return _EXPONENT.search(raw) is not None, len(found.group(1)) if found else 0


def is_within(reading: Reading, span: Span | None) -> bool:
    """Say whether a reading is no number (which is its own answer) or lies in ``span``."""
    return reading.number is None or span is None or span.low <= reading.number <= span.high


def implausible(
    instrument: Instrument, quantity: str, first: Reading, again: Reading, span: Span
) -> UnexpectedReply:
    """Return the fault of a reading that was outside ``span`` twice."""
    number = again.number if again.number is not None else math.nan
    is_none = number < span.low and quantity in WITH_FLOOR
    said = " and again ".join(
        repr(one.raw or f"{one.number:g}") for one in ((first,) if first is again else (first, again))
    )
    # a power beyond a rating may be one: nothing is keyed into it a second time
    return (UnexpectedReply if is_none or span.unit == "dBm" else ImpossibleReading)(
        f"{quantity} of {_told(number, span.unit)} "
        + (
            f"is none: from {span.low:.6g} {span.unit} on it would be of a unit that transmits"
            if is_none
            else f"cannot be: {span.low:.6g} to {_told(span.high, span.unit)} is possible ({span.why})"
        ),
        instrument=instrument.name,
        address=instrument.address,
        reply=said,
        next_move="Check whether the unit does what it should, the cable to the instrument, its range, its scale in the profile, "
        "and whether it answers late, with the reading before.",
    )


def _told(number: float, unit: str) -> str:
    """Return a figure with its unit; a power in watts too, as units are rated."""
    watts = f" ({10.0 ** (number / 10.0 - 3.0):.3g} W)" if unit == "dBm" and 0.0 <= number < 90.0 else ""
    return f"{number:.6g} {unit}{watts}"


def cut_short(instrument: Instrument, quantity: str, first: Reading, again: Reading) -> UnexpectedReply:
    """Return the fault of an answer that lacked its end twice, as that instrument writes its numbers."""
    return UnexpectedReply(
        f"{quantity}: its answer lacks its end, as this instrument writes numbers",
        instrument=instrument.name,
        address=instrument.address,
        reply=" and again ".join(repr(one.raw) for one in (first, again)),
        next_move="Look at the link to it: an adapter's buffer, a terminator that comes too soon; then measure again.",
    )
