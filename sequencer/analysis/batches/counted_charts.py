"""Charts of what is counted: the share of units that fail (p), and how many results fail on so many units (c)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from sequencer.analysis.batches.units import BatchUnit, BatchUnits
from sequencer.analysis.verdict import FAILED, Verdict
from sequencer.frozen import dataclass
from sequencer.statistics.charts import Chart, count_chart, proportion_chart
from sequencer.units.format import counted

SAMPLE = 20
"""Units that make one point, unless they are taken by the hour."""
_FEWEST_POINTS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedCharts:
    """The charts; None where there are too few units. ``samples`` says how many units each point is of; ``by`` how they were taken."""

    failing: Chart | None
    defects: Chart | None
    samples: tuple[int, ...]
    by: str

    def sentence(self) -> str:
        """Return what the charts rest on."""
        if self.failing is None:
            return f"No p or c chart: it takes two points or more, of {self.by} each."
        outside = len(self.failing.outside)
        said = f"First attempts, {counted(len(self.samples), 'point')} of {self.by} each; units at the end that fill no point are left out."
        found = (
            "No point lies beyond its limits."
            if not outside
            else f"{counted(outside, 'point')} beyond the limits: look at the bench before the units."
        )
        few = min(self.samples) * self.failing.centre < 5
        small = (
            " Of so few failures a point the limits are rough (fewer than 5 expected; common practice, no source)."
            if few
            else ""
        )
        return f"{said} {found}{small}"


def find_counted_charts(found: BatchUnits, *, by_hour: bool = False, sample: int = SAMPLE) -> CountedCharts:
    """Return the p and c charts of a batch's first attempts; the c chart needs samples of one size, so there is none by the hour."""
    samples = _samples(found.judged, sample, by_hour=by_hour)
    by = "one hour" if by_hour else counted(sample, "unit")
    if len(samples) < _FEWEST_POINTS:
        return CountedCharts(failing=None, defects=None, samples=(), by=by)
    sizes = [len(some) for some in samples]
    failing = [
        sum(one.first is not None and one.first.verdict is Verdict.FAILED for one in some) for some in samples
    ]
    defects = [
        sum(row.decision in FAILED for one in some if one.first for row in one.first.rows) for some in samples
    ]
    return CountedCharts(
        failing=proportion_chart(failing, sizes),
        defects=None if by_hour else count_chart(defects),
        samples=tuple(sizes),
        by=by,
    )


def _samples(units: Sequence[BatchUnit], sample: int, *, by_hour: bool) -> list[Sequence[BatchUnit]]:
    if by_hour:
        return [list(some) for _, some in groupby(units, key=_hour)]
    return [units[at : at + sample] for at in range(0, len(units) - sample + 1, sample)]


def _hour(unit: BatchUnit) -> str:
    return unit.first.run.time.strftime("%Y-%m-%d %H") if unit.first is not None else ""
