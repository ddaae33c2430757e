"""One line of a transmitter's spectrum beside its carrier: how high it is, or how high it is at most, and whether the analyser made it.

A line that falls when more attenuation stands before the mixer was made in it (10 dB more: by 10 dB for the second order, by 20 for the
third); one that stays is the unit's. What is not `CLEAR_DB` above the noise beside it is stated as at most so much, with a narrower filter
where the analyser has one, and with what the reference bandwidth holds beside a line (`broadband`). Figures derived from the laws of the
second and the third order (textbook).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from dataclasses import replace

from drivers.roles import Spectrum, SpectrumSettings
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.readings.settle import settle
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.checks.shared.spectrum.broadband import LINE_SHARE, SURE, find_broad
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.checks.shared.transmit.keyed_readings import SETTLED_DB
from sequencer.frozen import dataclass
from sequencer.inputs.stated import SPECTRUM_PATH
from sequencer.safety.transmit import TransmitSide
from sequencer.units.convert import dbm_from_w, w_from_dbm

AT_MIXER_DBM = -20.0
"""Of the carrier, while lines far below it are looked for: its own second harmonic then lies 70 dB down in an ordinary mixer."""
OWN_FALLS_DB = 3.0
"""A line that falls by more, with 10 dB more of attenuation, is the mixer's. Workshop's own."""
BY_EYE_DB = 1.0  # what a person reads of a line twice: common practice, no source
CLEAR_DB = 12.0
"""Above the noise beside it, a line: then noise adds 0.3 dB at most, and of a hundred points of noise alone the highest stands so far out
in one of a hundred looks (derived)."""
SPAN_FILTERS = 20.0
READINGS = 3
HIDDEN = "the noise of the analyser hides what lies below"
MAY_BE_OWN = "the analyser's own mixer may have made it"
BROAD = "no line: it falls with the bandwidth, so that its power in this one counts; the analyser's own noise is taken off"
NARROWER = (1.0, 0.1, 0.01)
"""Filters tried for a line that the noise hides, as shares of the one asked for."""
LEAST_FILTER_HZ = 100.0
NEEDS = (
    "spectrum_analyser.level",
    "spectrum_analyser.response",
    "spectrum_analyser.scale",
    "spectrum_analyser.attenuator",
    SPECTRUM_PATH,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """The carrier that lines are held against: by the power meter and by the analyser, dBm at the antenna connector."""

    meter_dbm: float
    shown_dbm: float
    how: SpectrumSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line's levels, dBm at the antenna connector; ``at_most``: noise, or the analyser's own product, hides what lies below."""

    frequency_hz: float
    levels_dbm: tuple[float, ...]
    filter_hz: float
    at_most: bool
    why: str = ""
    step_db: float = 0.0
    """What the last digit stands for that a person read; 0 where the instrument answers itself."""
    unpadded_dbm: float = -math.inf
    """What stood there with the least attenuation, the mixer's own products included."""
    noise_db: float = 0.0
    """The standard uncertainty by the own noise that was taken off."""
    is_broad: bool = False

    @property
    def level_dbm(self) -> float:
        """The mean of its readings, or the bound."""
        return statistics.fmean(self.levels_dbm)


def find_carrier(side: TransmitSide, conditions: Conditions, filter_hz: float) -> Carrier:
    """Read the unmodulated carrier by both instruments. Raises `Untrusted` where they disagree, or the analyser is overloaded."""
    readings = settle(side.read_power_dbm, side.wait_s, within=SETTLED_DB)
    found = [one.number for one in readings if one.number is not None]
    if len(found) != len(readings):
        raise Untrusted(why=f"power meter: {readings[-1].state.value}")
    meter_dbm, loss_db = statistics.fmean(found), looks.loss_db(side, conditions, side.frequency_hz)
    at_input_dbm = meter_dbm - loss_db
    how = SpectrumSettings(
        centre_hz=side.frequency_hz,
        span_hz=SPAN_FILTERS * filter_hz,
        resolution_bandwidth_hz=filter_hz,
        points=looks.points_for(SPAN_FILTERS * filter_hz, filter_hz),
        reference_level_dbm=looks.reference_dbm(at_input_dbm),
        attenuation_db=looks.attenuation_db(at_input_dbm, AT_MIXER_DBM),
    )
    if looks.entry_of(conditions).manual:
        shown_dbm = _carrier_by_hand(side, how) + loss_db
    else:
        seen = looks.believed(side.read_spectrum(how))
        looks.refuse_compressed(side, how, seen, conditions)
        shown_dbm, at_hz = highest_of(seen, (0.0, math.inf))
        shown_dbm += loss_db
        _refuse_elsewhere(at_hz, side.frequency_hz, filter_hz)
    looks.refuse_another_carrier(side, shown_dbm, meter_dbm, conditions)
    if (
        conditions.bench.paths.notch is not None
    ):  # its loss is steep there: the power meter, before it, knows the carrier better
        return Carrier(meter_dbm=meter_dbm, shown_dbm=meter_dbm, how=how)
    return Carrier(meter_dbm=meter_dbm, shown_dbm=shown_dbm, how=how)


def _refuse_elsewhere(at_hz: float, carrier_hz: float, filter_hz: float) -> None:
    if abs(at_hz - carrier_hz) > filter_hz:
        raise Untrusted(
            why=f"spectrum analyser: it shows the carrier at {at_hz / 1e6:.4f} MHz where it is at {carrier_hz / 1e6:.4f} MHz: look at its "
            "frequency reference, its span and the order of its points"
        )


def measure_line(
    side: TransmitSide,
    carrier: Carrier,
    conditions: Conditions,
    *,
    at_hz: float,
    filter_hz: float,
    within_hz: tuple[float, float] | None = None,
) -> Line:
    """Return the highest line about ``at_hz``, and ``within_hz`` where that is stated.

    Raises `Untrusted` where the analyser says something against its traces.
    """
    if looks.entry_of(conditions).manual:
        return _look_by_hand(side, carrier, conditions, at_hz, filter_hz)
    line = None
    for share in NARROWER:
        width_hz = filter_hz * share
        if line is not None and (width_hz < LEAST_FILTER_HZ or looks.filter_refusal(conditions, width_hz)):
            break
        line = _look(side, carrier, conditions, at_hz, width_hz, within_hz or (0.0, math.inf))
        if not line.at_most:
            break
    assert line is not None
    if line.filter_hz == filter_hz:
        return line
    return _with_broad(side, carrier, conditions, line, at_hz, filter_hz, within_hz or (0.0, math.inf))


def _with_broad(
    side: TransmitSide,
    carrier: Carrier,
    conditions: Conditions,
    line: Line,
    at_hz: float,
    filter_hz: float,
    within_hz: tuple[float, float],
) -> Line:
    """Return a line that a narrower filter saw or bounded, or what the reference bandwidth holds beside it where that is more."""
    line_w = w_from_dbm(line.unpadded_dbm)
    found = find_broad(
        side,
        replace(carrier.how, centre_hz=at_hz, resolution_bandwidth_hz=filter_hz),
        conditions,
        line_w=line_w,
        carrier_w=w_from_dbm(carrier.meter_dbm),
        within_hz=within_hz,
    )
    if found.is_clear:
        return Line(
            frequency_hz=at_hz,
            levels_dbm=tuple(map(dbm_from_w, found.in_filter_w)),
            filter_hz=filter_hz,
            at_most=False,
            noise_db=found.noise_db,
            is_broad=True,
        )
    if not line.at_most and found.rest_w <= max(LINE_SHARE * line_w, SURE * found.scatter_w):
        return line
    at_most_dbm = dbm_from_w(w_from_dbm(line.level_dbm) + found.at_most_w)
    why = f"{line.why or HIDDEN}; noise of the unit that fills {filter_hz / 1e3:g} kHz is counted in"
    return replace(line, levels_dbm=(at_most_dbm,), at_most=True, why=why)


def _carrier_by_hand(side: TransmitSide, how: SpectrumSettings) -> float:
    """Return the carrier that a person reads, dBm at the analyser. Raises `Untrusted` where it moves with the attenuation."""
    first, again = (side.read_highest_dbm(one) for one in (how, _padded(how)))
    if first.number is None or again.number is None:
        state = first.state if first.number is None else again.state
        raise Untrusted(why=f"spectrum analyser: {state.value}")
    if abs(again.number - first.number) > BY_EYE_DB:
        rises = f"{again.number - first.number:+.1f} dB"
        raise Untrusted(
            why=f"spectrum analyser: over range: with 10 dB more of attenuation the carrier reads {rises}"
        )
    return first.number


def _padded(how: SpectrumSettings) -> SpectrumSettings:
    return replace(how, attenuation_db=how.attenuation_db + looks.PROOF_DB)


def _look_by_hand(
    side: TransmitSide, carrier: Carrier, conditions: Conditions, at_hz: float, filter_hz: float
) -> Line:
    """Have a person read the highest line about ``at_hz``, with two attenuations: one that does not stay is at most so high."""
    span_hz = SPAN_FILTERS * filter_hz
    points = looks.points_for(span_hz, filter_hz)
    how = replace(
        carrier.how, centre_hz=at_hz, span_hz=span_hz, resolution_bandwidth_hz=filter_hz, points=points
    )
    first, again = (side.read_highest_dbm(one, beside=True) for one in (how, _padded(how)))
    if first.number is None:
        raise Untrusted(why=f"spectrum analyser at {at_hz / 1e6:g} MHz: {first.state.value}")
    stays = again.number is not None and abs(again.number - first.number) <= BY_EYE_DB
    return Line(
        frequency_hz=at_hz,
        levels_dbm=(first.number + looks.loss_db(side, conditions, at_hz),),
        filter_hz=filter_hz,
        at_most=not stays,
        why="" if stays else "with another attenuation it reads otherwise: noise, or the analyser's own",
        step_db=first.step,
    )


def _look(
    side: TransmitSide,
    carrier: Carrier,
    conditions: Conditions,
    at_hz: float,
    filter_hz: float,
    within_hz: tuple[float, float],
) -> Line:
    return look_at_line(
        lambda how: side.read_spectrum(how, beside=True),
        carrier.how,
        at_hz=at_hz,
        filter_hz=filter_hz,
        within_hz=within_hz,
        loss_db=looks.loss_db(side, conditions, at_hz),
    )


def look_at_line(
    read: Callable[[SpectrumSettings], Spectrum],
    how: SpectrumSettings,
    *,
    at_hz: float,
    filter_hz: float,
    within_hz: tuple[float, float],
    loss_db: float,
    may_be_own: bool = True,
) -> Line:
    """Look with one filter, with as much attenuation as it takes until the line stays where it is.

    ``how`` has the least attenuation and the reference level; ``loss_db`` stands between the unit and the analyser. ``may_be_own`` False
    where nothing strong is at the mixer, so that it makes nothing: then no line has to stay with more attenuation, and what the noise hides
    is at most what would have stood clear of it.
    """
    import numpy as np

    span_hz = SPAN_FILTERS * filter_hz
    how = replace(
        how,
        centre_hz=at_hz,
        span_hz=span_hz,
        resolution_bandwidth_hz=filter_hz,
        points=looks.points_for(span_hz, filter_hz),
    )
    seen = looks.believed(read(how))
    unpadded_dbm = highest_of(seen, within_hz)[0] + loss_db
    while True:
        padded = replace(how, attenuation_db=how.attenuation_db + looks.PROOF_DB)
        highest_dbm, where_hz = highest_of(seen, within_hz)
        floor_dbm = float(np.median(seen.levels_dbm))
        bound = {
            "frequency_hz": where_hz,
            "levels_dbm": (highest_dbm + loss_db,),
            "filter_hz": filter_hz,
            "at_most": True,
            "unpadded_dbm": unpadded_dbm,
        }
        if highest_dbm - floor_dbm < CLEAR_DB:
            if not may_be_own:
                bound["levels_dbm"] = (floor_dbm + CLEAR_DB + loss_db,)
            return Line(**bound, why=HIDDEN)  # type: ignore[arg-type]
        if not may_be_own:
            break
        if padded.attenuation_db > looks.MOST_ATTENUATION_DB:
            return Line(**bound, why=MAY_BE_OWN)  # type: ignore[arg-type]
        again = looks.believed(read(padded))
        again_dbm, again_hz = highest_of(again, within_hz)
        is_clear = again_dbm - float(np.median(again.levels_dbm)) >= CLEAR_DB
        if not is_clear or abs(again_hz - where_hz) > filter_hz:
            # it fell into the noise, which rose: nothing shows that it stayed
            return Line(**bound, why=MAY_BE_OWN)  # type: ignore[arg-type]
        if abs(again_dbm - highest_dbm) <= OWN_FALLS_DB:
            break
        how, seen = padded, again
    more = [looks.believed(read(how)) for _ in range(READINGS - 1)]
    taken = [highest_of(one, within_hz) for one in (seen, *more)]
    levels_dbm = tuple(level_dbm + loss_db for level_dbm, _ in taken)
    is_steady = max(abs(at - where_hz) for _, at in taken) <= filter_hz
    return Line(
        frequency_hz=where_hz,
        levels_dbm=levels_dbm if is_steady else (max(levels_dbm),),
        filter_hz=filter_hz,
        at_most=not is_steady,
        why="" if is_steady else HIDDEN,
        unpadded_dbm=unpadded_dbm,
    )


def highest_of(seen: Spectrum, within_hz: tuple[float, float]) -> tuple[float, float]:
    """Return the highest level of a trace within a range, dBm, and where it lies, Hz."""
    import numpy as np

    at_hz = seen.settings.start_hz + seen.settings.step_hz * np.arange(len(seen.levels_dbm))
    inside = (at_hz >= within_hz[0]) & (at_hz <= within_hz[1])
    at = int(np.argmax(np.where(inside, seen.levels_dbm, -np.inf)))
    return float(seen.levels_dbm[at]), float(at_hz[at])
