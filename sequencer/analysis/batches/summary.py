"""All that is said of a batch, as one value: for the screen, for JSON, for the report."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from sequencer.analysis.batches.counted_charts import CountedCharts, find_counted_charts
from sequencer.analysis.batches.process import GROUP, RULES, Process, process_of
from sequencer.analysis.batches.quantities import quantities_of
from sequencer.analysis.batches.seconds import BatchSeconds, find_seconds
from sequencer.analysis.batches.units import BatchUnits, read_batch_units, record_of_runs
from sequencer.analysis.batches.yields import (
    CheckFailures,
    Yields,
    failures_sentence,
    find_failures,
    find_yields,
)
from sequencer.frozen import dataclass
from sequencer.problems import about_file, nearest, printable
from sequencer.results.line import BatchRecord
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store, Wanted
from sequencer.statistics.charts import Chart
from sequencer.statistics.proportion import Proportion
from sequencer.statistics.run_rules import Alarm


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSummary:
    """A batch with all that its runs come to. ``processes`` are its quantities in the order of the sequence."""

    units: BatchUnits
    yields: Yields
    failures: tuple[CheckFailures, ...]
    processes: tuple[Process, ...]
    counted: CountedCharts
    seconds: BatchSeconds

    @property
    def record(self) -> BatchRecord:
        """The batch."""
        return self.units.record

    @property
    def worst_first(self) -> tuple[Process, ...]:
        """The quantities with limits, those that lie worst between them first; then those of which no index follows."""
        limited = [
            one for one in self.processes if one.quantity.limits is not None or one.quantity.several_limits
        ]
        return tuple(sorted(limited, key=_badness))

    def failures_sentence(self) -> str:
        """Return what the list of failures rests on."""
        return failures_sentence(self.units, self.failures)

    def left_out_sentence(self) -> str:
        """Return which runs were counted nowhere; empty where all were."""
        said = "; ".join(f"{count} {why}" for why, count in self.units.left_out)
        return f"Runs of this batch's name that are counted nowhere: {said}." if said else ""


def _badness(one: Process) -> tuple[bool, float]:
    found = one.capability
    return (found is None, found.ppk.value if found is not None else 0.0)


def find_record(name: str, store: Store, place: StorePlace) -> BatchRecord:
    """Return the batch of that name. Raises InputError that names the nearest."""
    if (found := store.read_batch(name)) is not None:
        return found
    # of before schema 9, or imported from a file that names a batch and does not hold it
    if (
        made := record_of_runs(name, store.read_runs(Wanted(batch=name, measured=True), limit=1))
    ) is not None:
        return made
    known = [one.batch for one in store.read_batches()]
    alike = nearest(name, known)
    raise about_file(
        place,
        f"no batch '{printable(name)}' in this store",
        allowed="a batch that 'sequencer batch' lists"
        if known
        else "a batch: 'sequencer run … --batch NAME' opens one",
        hint=f"did you mean '{printable(alike[0])}'?" if alike else "",
    )


def find_summary(
    record: BatchRecord, store: Store, *, group: int = GROUP, by_hour: bool = False
) -> BatchSummary:
    """Return all that is said of a batch; means are of ``group`` units each, or of those of one hour."""
    units = read_batch_units(store, record)
    return BatchSummary(
        units=units,
        yields=find_yields(units),
        failures=find_failures(units),
        processes=tuple(process_of(one, group=group, by_hour=by_hour) for one in quantities_of(units)),
        counted=find_counted_charts(units, by_hour=by_hour),
        seconds=find_seconds(units, store.read_seconds(record.batch)),
    )


def summary_as_plain(found: BatchSummary) -> dict[str, Any]:
    """Return a summary for JSON."""
    return {
        **record_as_plain(found.record),
        "yield": {
            "first_pass": _share(found.yields.first_pass),
            "final": _share(found.yields.final),
            "judged": found.yields.judged,
            "without_verdict": found.yields.without_verdict,
            "retested": found.yields.retested,
            "attempts": found.yields.attempts,
            "says": found.yields.sentence(),
        },
        "left_out": [{"why": why, "runs": count} for why, count in found.units.left_out],
        "failures": [
            {
                "check": one.check,
                "failed": one.failed,
                "not_measured": one.not_measured,
                "share": _share(one.share),
            }
            for one in found.failures
        ],
        "quantities": [process_as_plain(one) for one in found.processes],
        "charts": {
            "failing": _chart(found.counted.failing),
            "defects": _chart(found.counted.defects),
            "units_a_point": list(found.counted.samples),
            "says": found.counted.sentence(),
            "rules": RULES,
        },
        "seconds": {
            "checks": [{**asdict(one), "measuring_s": one.measuring_s} for one in found.seconds.checks],
            "total_s": found.seconds.total_s,
            "other_s": found.seconds.other_s,
            "runs": found.seconds.runs,
            "units_per_hour": found.seconds.units_per_hour,
            "says": found.seconds.sentence(),
        },
    }


def record_as_plain(record: BatchRecord) -> dict[str, Any]:
    """Return a batch for JSON; times are ISO 8601."""
    times = {
        "opened": record.opened,
        "closed": record.closed,
        "went_on": record.went_on,
        "stopped_at": record.stopped_at,
    }
    plain = {
        name: None if at is None else at.isoformat(timespec="milliseconds") for name, at in times.items()
    }
    return {**asdict(record), **plain}


def process_as_plain(one: Process) -> dict[str, Any]:
    """Return what is said of one quantity for JSON."""
    quantity, found = one.quantity, one.capability
    limits = quantity.limits
    return {
        "check": quantity.check,
        "quantity": quantity.name,
        "channel": quantity.channel,
        "mode": quantity.mode,
        "unit": quantity.unit,
        "lower_limit": None if limits is None else limits.lower,
        "upper_limit": None if limits is None else limits.upper,
        "uncertainty": quantity.uncertainty,
        "missing": quantity.missing,
        "bounds": quantity.bounds,
        "values": [
            {
                "serial": row.serial,
                "time": row.time.isoformat(timespec="milliseconds"),
                "value": row.value,
                "run": row.run,
            }
            for row in quantity.rows
        ],
        "capability": None
        if found is None
        else {
            "n": found.n,
            "mean": found.mean,
            "sigma_within": found.sigma_within,
            "sigma_overall": found.sigma_overall,
            **{
                name: None if (index := getattr(found, name)) is None else asdict(index)
                for name in ("cp", "cpk", "pp", "ppk")
            },
            "normality": found.normality,
            "is_normal": found.is_normal,
            "percentile_ppk": found.percentile_ppk,
            "outside": _share(found.outside),
        },
        "capability_says": one.capability_sentence(),
        "individuals": _chart(one.individuals.location if one.individuals else None, one.alarms),
        "moving_range": _chart(one.individuals.spread if one.individuals else None),
        "means": _chart(one.means, one.mean_alarms),
        "means_of": one.grouped,
        "deviations": _chart(one.deviations),
        "charts_say": one.chart_sentence(),
        "drift": None if one.drift is None else {**asdict(one.drift), "is_seen": one.drift.is_seen},
        "drift_says": one.drift_sentence(),
    }


def _share(one: Proportion | None) -> dict[str, Any] | None:
    return None if one is None else {**asdict(one), "share": one.share}


def _chart(one: Chart | None, alarms: tuple[Alarm, ...] = ()) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "points": list(one.points),
        "centre": one.centre,
        "lower": list(one.lower),
        "upper": list(one.upper),
        "outside": list(one.outside),
        "alarms": [asdict(alarm) for alarm in alarms],
    }
