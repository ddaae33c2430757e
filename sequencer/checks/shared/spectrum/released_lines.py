"""What leaves a receiver at its antenna connector: lines that are there with PTT released, and go with the unit's supply.

Each place is looked at with the unit fed, by the reference filter and by narrower ones until a line stands clear of the noise, and by slow
sweeps of the reference filter; then all of it once more with the unit unfed, at the same settings. What stays is the analyser's own, or
comes from elsewhere; what the reference filter holds beside a line counts with its power, the own noise taken off, as in `broadband`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from drivers.roles import Spectrum, SpectrumSettings
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.checks.shared.spectrum.broadband import AVERAGED, LINE_SHARE, SURE, slow_sweep
from sequencer.checks.shared.spectrum.spectral_lines import (
    HIDDEN,
    LEAST_FILTER_HZ,
    NARROWER,
    SPAN_FILTERS,
    Line,
    highest_of,
    look_at_line,
)
from sequencer.frozen import dataclass
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_POWER
from sequencer.units.convert import dbm_from_w, w_from_dbm

LEAST_ATTENUATION_DB = 0.0  # nothing transmits
REFERENCE_DBM = -30.0  # what a receiver lets out is far below, behind the load's attenuator
GOES_DB = 6.0  # by how much a line falls at least that goes with the supply: common practice, no source
STAYS = "it stands there with the unit off too, and is not the unit's"
Within = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place looked at with the unit fed: the line, or the bound, there, and a slow sweep of the reference filter where that hid it."""

    at_hz: float
    reference_hz: float
    within_hz: Within
    line: Line
    slow: Spectrum | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a place comes to; ``goes``: a line of the unit was seen there, which goes with its supply."""

    line: Line
    goes: bool


class ReleasedLines:
    """Looks at an unkeyed unit on a transmit side."""

    def __init__(self, side: TransmitSide, conditions: Conditions) -> None:
        self.side = side
        self.conditions = conditions
        self.how = SpectrumSettings(
            centre_hz=side.frequency_hz,
            span_hz=0.0,
            resolution_bandwidth_hz=1e3,
            points=11,
            reference_level_dbm=REFERENCE_DBM,
            attenuation_db=LEAST_ATTENUATION_DB,
        )

    @property
    def read(self) -> Callable[[SpectrumSettings], Spectrum]:
        """What sweeps once, PTT released."""
        return self.side.read_spectrum_released

    def loss_db(self, at_hz: float) -> float:
        """Return what stands between unit and analyser, dB."""
        return looks.loss_db(self.side, self.conditions, at_hz)

    def look(self, at_hz: float, filter_hz: float, within_hz: Within, *, known: bool = False) -> Place:
        """Look at a place with filters down to a hundredth of the reference bandwidth, until a line stands clear.

        ``known``: the place is where it must be; otherwise each filter looks where the wider one saw most.
        """
        line: Line | None = None
        for share in NARROWER:
            width_hz = filter_hz * share
            if line is not None and (
                width_hz < LEAST_FILTER_HZ or looks.filter_refusal(self.conditions, width_hz)
            ):
                break
            line = look_at_line(
                self.read,
                self.how,
                at_hz=at_hz if line is None or known else line.frequency_hz,
                filter_hz=width_hz,
                within_hz=within_hz,
                loss_db=self.loss_db(at_hz),
                may_be_own=False,  # below -40 dBm a mixer makes nothing that could be seen: textbook
            )
            if not line.at_most:
                break
        assert line is not None
        slow = None
        if line.filter_hz != filter_hz:
            slow = looks.believed(self.read(self._slow(at_hz, filter_hz)))
        return Place(at_hz=at_hz, reference_hz=filter_hz, within_hz=within_hz, line=line, slow=slow)

    def _slow(self, at_hz: float, filter_hz: float) -> SpectrumSettings:
        return slow_sweep(replace(self.how, centre_hz=at_hz, resolution_bandwidth_hz=filter_hz))

    def tell_unfed(self, place: Place) -> Told:
        """Look at the place once more, with the unit unfed, and tell what of it is the unit's."""
        goes = not place.line.at_most and self._goes(place)
        line = place.line
        if not line.at_most and not goes:
            line = replace(line, at_most=True, why=STAYS)
        if place.slow is None:
            return Told(line=line, goes=goes)
        return Told(line=self._with_rest(place, line), goes=goes)

    def _goes(self, place: Place) -> bool:
        width_hz = place.line.filter_hz
        how = replace(
            self.how,
            centre_hz=place.line.frequency_hz,
            span_hz=SPAN_FILTERS * width_hz,
            resolution_bandwidth_hz=width_hz,
            points=looks.points_for(SPAN_FILTERS * width_hz, width_hz),
        )
        at_hz = place.line.frequency_hz
        left_dbm, _ = highest_of(looks.believed(self.read(how)), (at_hz - width_hz, at_hz + width_hz))
        return left_dbm + self.loss_db(at_hz) <= place.line.level_dbm - GOES_DB

    def _with_rest(self, place: Place, line: Line) -> Line:
        """Return the line, or what the reference filter holds where that is more; the own noise taken off."""
        import numpy as np

        assert place.slow is not None
        loss_w = 1e-3 * 10.0 ** (self.loss_db(place.at_hz) / 10.0)
        own_w = loss_w * 10.0 ** (
            looks.believed(self.read(self._slow(place.at_hz, place.reference_hz))).levels_dbm / 10.0
        )
        fed_w = loss_w * 10.0 ** (place.slow.levels_dbm / 10.0)
        made = place.slow.settings
        at_hz = made.start_hz + made.step_hz * np.arange(len(fed_w))
        inside = (at_hz >= place.within_hz[0]) & (at_hz <= place.within_hz[1])
        more_w = max(0.0, float(np.where(inside, fed_w - own_w, 0.0).max()))
        scatter_w = math.sqrt(2.0) * max(float(own_w.std(ddof=1)), float(own_w.mean()) / math.sqrt(AVERAGED))
        line_w = 0.0 if line.at_most else w_from_dbm(line.level_dbm)
        rest_w = max(0.0, more_w - line_w)
        if rest_w > max(SURE * scatter_w, LINE_SHARE * line_w, float(own_w.mean())):
            return Line(
                frequency_hz=place.at_hz,
                levels_dbm=(dbm_from_w(more_w),),
                filter_hz=place.reference_hz,
                at_most=False,
                noise_db=DB_PER_RELATIVE_POWER * scatter_w / more_w,
                is_broad=True,
            )
        if not line.at_most:
            return line
        # what would have stood out would have been seen, whatever the noise made of this sweep
        bound_w = w_from_dbm(line.level_dbm) + max(rest_w, SURE * scatter_w) + 2.0 * scatter_w
        why = f"{line.why or HIDDEN}; noise of the unit that fills {place.reference_hz / 1e3:g} kHz is counted in"
        return replace(line, levels_dbm=(dbm_from_w(bound_w),), why=why)
