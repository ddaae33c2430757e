"""A mask of ranges, each with its reference bandwidth: what of it is looked at, the highest places, and the line that decides."""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Annotated

from pydantic import AfterValidator, model_validator

from drivers.roles import Spectrum, SpectrumSettings
from sequencer.checks.settings import SOME
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.checks.shared.spectrum.driven_spectrum import Filter
from sequencer.checks.shared.spectrum.spectral_lines import Line
from sequencer.files.fields import FileModel, FrequencyHz, PowerW, between
from sequencer.inputs.bench_parts.loss_table import frequency_text
from sequencer.problems import FieldProblem
from sequencer.uncertainty.decision import Limits
from sequencer.units.convert import w_from_dbm

Edge = Annotated[FrequencyHz, AfterValidator(between(9e3, 1e11, "Hz"))]
MOST_POINTS = 50_001
LOOKED_AT = 3
"""So many of the highest of a range are looked at again: the first may be the mixer's own."""


class MaskRow(FileModel):
    """One range of a mask."""

    from_hz: Edge
    """Where the range begins."""
    to_hz: Edge
    """Where it ends."""
    resolution_bandwidth_hz: Filter
    """The reference bandwidth."""
    max_w: Annotated[PowerW, AfterValidator(between(1e-15, 1e3, "W"))]
    """The most power of any line in it."""

    @model_validator(mode="after")
    def _in_order(self) -> "MaskRow":
        if self.from_hz >= self.to_hz:
            raise FieldProblem(
                f"the range begins at {frequency_text(self.from_hz)} and ends at {frequency_text(self.to_hz)}",
                at=("from",),
                allowed="from below to",
            )
        return self

    @property
    def text(self) -> str:
        """The range in words."""
        return f"{frequency_text(self.from_hz)} to {frequency_text(self.to_hz)}"


def _whole(rows: tuple[MaskRow, ...]) -> tuple[MaskRow, ...]:
    for number, (one, other) in enumerate(itertools.pairwise(rows), start=1):
        if other.from_hz == one.to_hz:
            continue
        what = "a gap" if other.from_hz > one.to_hz else "an overlap"
        raise FieldProblem(
            f"the mask has {what}: one range ends at {frequency_text(one.to_hz)}, the next begins at {frequency_text(other.from_hz)}",
            at=(number, "from"),
            allowed=f"from: {frequency_text(one.to_hz)}; two checks for what is to be left out",
        )
    return rows


Mask = Annotated[tuple[MaskRow, ...], *SOME, AfterValidator(_whole)]


def decisive(seen: list[Line], limits: Limits) -> Line:
    """Return the highest line that was measured; a bound beyond the limit where no line is: nothing is known then."""
    highest = max(seen, key=lambda one: one.level_dbm)
    sure = max((one for one in seen if not one.at_most), key=lambda one: one.level_dbm, default=highest)
    is_decided = limits.contains(w_from_dbm(highest.level_dbm)) or not limits.contains(
        w_from_dbm(sure.level_dbm)
    )
    return sure if is_decided else highest


def parts_of(row: MaskRow, carrier_hz: float, beside_hz: float) -> Iterator[tuple[float, float]]:
    """Yield what of a range is looked at: without what lies beside the channel, in parts that a trace has points for."""
    below, above = carrier_hz - beside_hz, carrier_hz + beside_hz
    for low_hz, high_hz in ((row.from_hz, min(row.to_hz, below)), (max(row.from_hz, above), row.to_hz)):
        widest_hz = MOST_POINTS * row.resolution_bandwidth_hz / looks.POINTS_PER_FILTER
        at_hz = low_hz
        while high_hz - at_hz > row.resolution_bandwidth_hz:
            end_hz = min(high_hz, at_hz + widest_hz)
            yield at_hz, end_hz
            at_hz = end_hz


def highest_places(
    read: Callable[[SpectrumSettings], Spectrum],
    how: SpectrumSettings,
    part: tuple[float, float],
    row: MaskRow,
    loss_db: Callable[[float], float],
    seen: list[tuple[float, float]],
) -> list[tuple[float, float]]:
    """Return the highest places of a part, each with its level, ten filters or more apart; ``seen`` gets the trace."""
    import numpy as np

    low_hz, high_hz = part
    span_hz = high_hz - low_hz
    how = replace(
        how,
        centre_hz=(low_hz + high_hz) / 2.0,
        span_hz=span_hz,
        resolution_bandwidth_hz=row.resolution_bandwidth_hz,
        points=looks.points_for(span_hz, row.resolution_bandwidth_hz),
        detector="max peak",
    )
    trace = looks.believed(read(how))
    levels, step_hz = trace.levels_dbm.copy(), trace.settings.step_hz
    first_hz = trace.settings.start_hz
    seen += [
        (first_hz + at * step_hz, float(level_dbm) + loss_db(first_hz + at * step_hz))
        for at, level_dbm in enumerate(levels)
    ]
    apart = max(1, round(10.0 * row.resolution_bandwidth_hz / step_hz))
    found = []
    for _ in range(LOOKED_AT):
        at = int(np.argmax(levels))
        found.append((float(trace.levels_dbm[at]), trace.settings.start_hz + at * step_hz))
        levels[max(0, at - apart) : at + apart + 1] = -np.inf
    return found
