"""What checks of a carrier that comes and goes share: recordings over PTT, and their figures with a budget.

Each figure is of several recordings, each over a press and a release of its own, so that one odd recording decides nothing.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated

from pydantic import AfterValidator

from drivers.profiled.commands import Need
from drivers.roles import RangeState, Reading
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.budgets.parts import HalfWidth
from sequencer.checks.shared.readings.settle import agreeing, settle
from sequencer.checks.shared.spectrum.traces import Untrusted, refuse_another_carrier
from sequencer.checks.shared.transmit.keyed_readings import SETTLED_DB
from sequencer.dsp.samples import SamplesError
from sequencer.files.fields import FrequencyHz, TimeS, between
from sequencer.frozen import dataclass
from sequencer.results.model import Point
from sequencer.safety.transmit import TransmitSide
from sequencer.safety.transmitting.key_recordings import KeyRecording
from sequencer.uncertainty.decision import Limits
from sequencer.units.convert import dbm_from_w

if TYPE_CHECKING:
    from sequencer.dsp.keying import CarrierInTime

RECORDINGS = 3
LEAD_S = 0.03  # recorded before PTT is ordered
LOOK_S = 1e-4
STEADY_SHARE = 0.2  # of what is recorded after PTT: the end of it is taken for steady
MOST_POINTS = 400
AFTER_RELEASE_S = 0.06
LATE_SHARE = 0.2  # of the time recorded after an order may be gone before it is given
MOST_LATE, MOST_LATE_S = 3, 1.0
POWER_FORECAST_S = 0.45
BETWEEN_FORECAST_S = 0.14  # released, beside the rest: until the next recording, and its beginning
UNKNOWN_S = 0.025  # further than this apart nothing is stated of when a recording began: as much as a transmitter may take
LOWEST_SHOWN_DB = -80.0
Watched = Annotated[TimeS, AfterValidator(between(0.02, 2.0, "s"))]
Rate = Annotated[FrequencyHz, AfterValidator(between(10e3, 1e6, "Hz"))]


class KeyedSettings(CheckSettings):
    """What the checks of a carrier that comes and goes are told."""

    watched_for_s: Watched = 0.15
    """How long the recording goes on after PTT is pressed; the last fifth of it is taken for the steady carrier."""
    rate_hz: Rate = 100e3
    """Rate of the samples: frequencies up to 0.4 of it are shown, to either side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """A carrier that came or went, and when PTT was ordered: the earliest and the latest moment, s from the first sample."""

    carrier: CarrierInTime
    ordered_s: tuple[float, float]

    @property
    def ordered_middle_s(self) -> float:
        """The middle of the two moments."""
        return (self.ordered_s[0] + self.ordered_s[1]) / 2.0

    @property
    def spread_s(self) -> float:
        """How far they are apart."""
        return self.ordered_s[1] - self.ordered_s[0]


def came(recording: KeyRecording, *, released: bool = False) -> Came:
    """Return a carrier that came, or that went. Raises SamplesError where none did."""
    from sequencer.dsp.keying import carrier_in_time

    samples, (early_s, _) = recording.samples, recording.ordered_s
    end_s = len(samples.content) / samples.rate_hz
    without = (0.0, 0.5 * max(LEAD_S, early_s)) if not released else (end_s - 0.2 * (end_s - early_s), end_s)
    after_s = end_s - max(0.0, early_s)
    with_ = (0.0, max(0.5 * LEAD_S, early_s)) if released else (end_s - STEADY_SHARE * after_s, end_s)
    carrier = carrier_in_time(
        samples.content, samples.rate_hz, look_s=LOOK_S, steady_s=with_, silent_s=without
    )
    return Came(carrier=carrier, ordered_s=recording.ordered_s)


class Recorder:
    """Records presses and releases of one check, each for as long as orders have come late so far: a slow bench is given the time."""

    def __init__(self, side: TransmitSide, settings: KeyedSettings) -> None:
        self._side, self._settings = side, settings
        self._late_s = 0.0

    def press(self) -> Came:
        """Return the carrier as it came. Raises SamplesError where none did."""
        watched_s, rate_hz = self._settings.watched_for_s, self._settings.rate_hz
        return came(
            self._in_time(
                lambda late_s: self._side.record_press(LEAD_S + late_s + watched_s, rate_hz, lead_s=LEAD_S),
                LEAD_S,
                LATE_SHARE * watched_s,
            )
        )

    def release(self, *, lead_s: float) -> Came:
        """Return the carrier as it went. Raises SamplesError where it did not."""
        rate_hz, after_s = self._settings.rate_hz, self._settings.watched_for_s
        recorded = self._in_time(
            lambda late_s: self._side.record_release(
                lead_s + late_s + AFTER_RELEASE_S, rate_hz, lead_s=lead_s, after_s=after_s
            ),
            lead_s,
            LATE_SHARE * AFTER_RELEASE_S,
        )
        return came(recorded, released=True)

    def _in_time(self, record: Callable[[float], KeyRecording], lead_s: float, most_s: float) -> KeyRecording:
        """Record; again, and for longer, where the order came later than there was time for."""
        for _ in range(MOST_LATE):
            given_s = self._late_s
            recorded = record(given_s)
            late_s = recorded.ordered_s[1] - lead_s
            self._late_s = min(MOST_LATE_S, max(self._late_s, late_s))
            if late_s - given_s <= most_s:
                break
        return recorded


def meter_dbm(side: TransmitSide) -> float:
    """Return the power meter's word of the carrier, dBm. Raises Untrusted where it has none."""
    readings = settle(side.read_power_dbm, side.wait_s, within=SETTLED_DB)
    found = [one.number for one in readings if one.number is not None]
    if len(found) != len(readings):
        raise Untrusted(why=f"power meter: {readings[-1].state.value}")
    return statistics.fmean(found)


def refuse_another(side: TransmitSide, seen: Came, level_dbm: float, conditions: Conditions) -> None:
    """Raise Untrusted where the recorded carrier is not the one whose power the meter reads."""
    recorded_dbm = dbm_from_w(seen.carrier.steady / 100.0) + side.loss_db(side.frequency_hz)
    refuse_another_carrier(side, recorded_dbm, level_dbm, conditions, by="modulation_analyser")


def refuse_slow(seen: Sequence[Came]) -> None:
    """Raise SamplesError where no recording was over as soon as its length says: its samples may lie further apart than is read back."""
    late_s = min(one.spread_s for one in seen)
    if late_s > UNKNOWN_S:
        raise SamplesError(
            f"each recording was over {late_s * 1e3:.3g} ms or more later than its length says: either its samples lie further apart "
            "than the analyser reads back, and every time would be false, or it answers late; see its sample rate, "
            "and what else uses the line to it"
        )


def cycles_s(conditions: Conditions, keyed_s: float, released_s: float) -> float:
    """Return about how long the power and the key-downs take, s, with the rests that the duty owes between them."""
    rest = 100.0 / conditions.bench.protection.key_duty_percent - 1.0
    power_s = POWER_FORECAST_S * (1.0 + rest)
    return power_s + RECORDINGS * (keyed_s + released_s) + (RECORDINGS - 1) * rest * keyed_s


def needed_commands() -> frozenset[Need]:
    """Return what records over PTT."""
    return commands.recording("modulation_analyser", "recorded_baseband") | commands.of(
        "modulation_analyser", "begin_recording"
    )


def hand_demands(conditions: Conditions) -> list[Demand]:
    """Return the refusal of a bench on which a person presses PTT: nothing would tell when."""
    radio = conditions.bench.with_role("radio")
    if radio is None or not radio[1].manual:
        return []
    return [
        Demand(
            refused="a person presses PTT on this bench, and nothing tells when: what the transmitter does then cannot be recorded in time",
            allowed="a radio whose PTT the program presses (a relay box, a line of text), or the sequence without this check",
        )
    ]


def reading_of(figure: Callable[[], float]) -> Reading:
    """Return a figure as a reading; SamplesError as no measurement, with its words."""
    try:
        return Reading(number=figure())
    except SamplesError as error:
        return Reading(number=None, state=RangeState.NO_MEASUREMENT, raw=str(error))


def agreed(
    readings: list[Reading], again: Callable[[], Reading], *, within: float
) -> tuple[list[float], str]:
    """Return the figures of recordings that agree, none and why where one could not be read."""
    kept = agreeing(readings, again, within=within)
    found = [one.number for one in kept if one.number is not None]
    if len(found) != len(kept):
        return [], next(one.raw for one in kept if one.number is None)
    return found, ""


def unmeasured(
    quantities: Mapping[tuple[str, str], Limits] | list[tuple[str, str, Limits]], why: str
) -> list[Finding]:
    """Return findings without values, each with why."""
    rows = (
        [(*key, limits) for key, limits in quantities.items()]
        if isinstance(quantities, Mapping)
        else quantities
    )
    return [
        Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=why)
        for quantity, unit, limits in rows
    ]


def stated_db(conditions: Conditions, key: str) -> HalfWidth:
    """Return what the bench file states of the analyser's levels, dB."""
    half_width = HalfWidth.of(conditions.bench, "modulation_analyser", key)
    assert half_width is not None
    return half_width


def shifted(
    figure: Callable[[float], float | None], half_width: HalfWidth, *, most: float
) -> tuple[float, tuple[str, ...]]:
    """Return by how much a figure moves where a level is off by a half-width, dB, and the keys that state it."""
    around = figure(0.0)
    if half_width.figure is None or around is None:
        return 0.0, half_width.keys
    ends = [figure(sign * min(half_width.figure, most)) for sign in (-1.0, 1.0)]
    return max((abs(one - around) for one in ends if one is not None), default=0.0), half_width.keys


def level_points(seen: Came, zero_s: float) -> tuple[Point, ...]:
    """Return the power against time, dB of the steady carrier's, counted from ``zero_s``."""
    carrier = seen.carrier
    step = max(1, math.ceil(len(carrier.time_s) / MOST_POINTS))
    return tuple(
        Point.of_time(float(at_s) - zero_s, max(LOWEST_SHOWN_DB, float(level_db)))
        for at_s, level_db in zip(carrier.time_s[::step], carrier.level_db[::step], strict=True)
    )


def frequency_points(
    seen: Came, zero_s: float, span_s: tuple[float, float], *, above_db: float
) -> tuple[Point, ...]:
    """Return the frequency against time, Hz from the channel's, within ``span_s`` about ``zero_s``, where there is a carrier."""
    import numpy as np

    carrier = seen.carrier
    at_s = carrier.time_s - zero_s
    inside = np.flatnonzero(
        (at_s >= span_s[0])
        & (at_s <= span_s[1])
        & (carrier.level_db >= above_db)
        & np.isfinite(carrier.frequency_hz)
    )
    kept = inside[:: max(1, math.ceil(len(inside) / MOST_POINTS))]
    return tuple(Point.of_time(float(at_s[one]), float(carrier.frequency_hz[one])) for one in kept)
