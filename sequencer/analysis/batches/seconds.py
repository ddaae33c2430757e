"""Where the bench time of a batch went: check by check, and of each what was settling, resting, a person, and measuring."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.analysis.batches.units import BatchUnits
from sequencer.frozen import dataclass
from sequencer.results.line import CheckSeconds
from sequencer.units.format import counted

SHORTEST_S = 0.05
"""What takes less a run (a confirmation that was stated beforehand) is no line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckTime:
    """The bench time of one check over all counted runs, seconds; ``runs`` is in how many it was made."""

    check: str
    runs: int
    bench_s: float
    settling_s: float
    resting_s: float
    person_s: float

    @property
    def measuring_s(self) -> float:
        """What is left: setting, reading, searching."""
        return max(0.0, self.bench_s - self.settling_s - self.resting_s - self.person_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSeconds:
    """The time of a batch. ``total_s`` is of all its runs with a record, ``checks`` of their checks, the longest first.

    ``other_s`` is what runs took outside of their checks: opening, feeding, making safe. ``without`` runs have no record of it.
    """

    checks: tuple[CheckTime, ...]
    total_s: float
    other_s: float
    runs: int
    without: int
    units_per_hour: float | None

    def sentence(self) -> str:
        """Return what the seconds rest on."""
        if not self.runs:
            return "No run of this batch says where its time went: such records begin with schema 9 of the store."
        said = (
            f"Bench time of {counted(self.runs, 'run')}, retests too; what passes between units (changing, scanning) is in none of it. "
            "Measuring is what was neither settling, resting nor a person: setting, reading and searching."
        )
        return (
            f"{said} {counted(self.without, 'older run')} without such a record left out."
            if self.without
            else said
        )


def find_seconds(found: BatchUnits, recorded: Mapping[tuple[str, int], CheckSeconds]) -> BatchSeconds:
    """Return where the time went; ``recorded`` is by run and number of the check."""
    of_run: dict[str, list[tuple[int, CheckSeconds]]] = {}
    for (name, index), one in recorded.items():
        of_run.setdefault(name, []).append((index, one))
    by_check: dict[str, list[CheckSeconds]] = {}
    total_s = in_checks_s = 0.0
    runs = [run for run in found.runs if run.bench_s is not None]
    told = [run for run in runs if run.run in of_run]
    for run in told:
        names = {row.check_index: row.check for row in run.results}
        total_s += run.bench_s or 0.0
        for index, seconds in of_run[run.run]:
            in_checks_s += seconds.bench_s
            by_check.setdefault(names.get(index, f"check {index}"), []).append(seconds)
    checks = [
        CheckTime(
            check=check,
            runs=len(some),
            bench_s=sum(one.bench_s for one in some),
            settling_s=sum(one.settling_s for one in some),
            resting_s=sum(one.resting_s for one in some),
            person_s=sum(one.person_s for one in some),
        )
        for check, some in by_check.items()
        if sum(one.bench_s for one in some) >= SHORTEST_S * len(some)
    ]
    all_s = sum(run.bench_s or 0.0 for run in runs)
    return BatchSeconds(
        checks=tuple(sorted(checks, key=lambda one: (-one.bench_s, one.check))),
        total_s=total_s,
        other_s=max(0.0, total_s - in_checks_s),
        runs=len(told),
        without=len(runs) - len(told),
        units_per_hour=3600.0 * len(found.judged) / all_s if all_s > 0.0 and found.judged else None,
    )
