"""Which batch a run belongs to, and what else of the line its results carry."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.cli.common.bench import bench_title
from sequencer.cli.common.line_options import LineAsked
from sequencer.frozen import dataclass
from sequencer.planning.plan import Plan
from sequencer.problems import FileProblems, about_file, printable
from sequencer.results.line import BatchRecord, LineFacts
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem

if TYPE_CHECKING:  # pydantic's model of a file that most runs have not
    from sequencer.inputs.batch import BatchFile
DRY_RUN = " (dry run)"
"""What stands behind the name of a batch where a bench of real instruments is tried with --dry-run: a batch of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OnLine:
    """What a run's results carry of the line, its batch, and whether that is opened by it.

    ``seen_runs`` is how many runs of the unit the batch has so far, None where nobody could look; ``refused`` says why the batch does not
    take the run any more.
    """

    facts: LineFacts
    batch: BatchRecord | None = None
    opens_batch: bool = False
    seen_runs: int | None = None
    refused: str = ""


def line_of(
    asked: LineAsked,
    plan: Plan,
    *,
    serial: str,
    model: str,
    simulated: bool,
    place: StorePlace,
    reason: str | None = None,
) -> OnLine:
    """Return where on the line a run is made.

    Raises FileProblems where the batch does not take the run; StoreProblem where the store cannot be asked.
    """
    said = ""
    if reason is not None and asked.batch:
        from sequencer.run.resuming.repeat import check_reason

        said = check_reason(reason)
    line = LineFacts(station=asked.station, operator=asked.operator, lot=asked.lot, fixture=asked.fixture)
    if not asked.batch:
        return OnLine(facts=line)
    from sequencer.analysis.in_batch import in_batch, opened

    name: str = asked.batch
    file: BatchFile | None = None
    if name.endswith((".yaml", ".yml")):
        file = _file(Path(name), plan)
        name = file.batch
    if simulated and not plan.bench.bench.simulated:  # a batch of real units is not opened by trying it
        name += DRY_RUN
    line = replace(line, batch=name)
    from sequencer.run.bench_health.batch_gate import open_where_proved

    bench_name = bench_title(plan.bench, dry_run=simulated)
    open_where_proved(plan, place, batch=name, bench_name=bench_name, simulated=simulated)
    sequence = plan.sequence
    new = opened(
        line, sequence=sequence.sequence.sequence, sequence_hash=sequence.hash, simulated=simulated, file=file
    )
    found = in_batch(line, new, serial=serial, model=model, place=place, bench_name=bench_name, reason=said)
    return OnLine(facts=found.line, batch=found.record, opens_batch=found.is_new, seen_runs=found.seen_runs)


def line_now(
    asked: LineAsked,
    plan: Plan,
    *,
    before: OnLine,
    serial: str,
    model: str,
    simulated: bool,
    place: StorePlace,
    reason: str | None,
) -> OnLine:
    """Return what `line_of` says as the run begins, of a series hours after it was asked.

    ``before`` is what it said then, which holds where the store cannot be asked: that is told of where it is written to.
    """
    try:
        found = line_of(
            asked, plan, serial=serial, model=model, simulated=simulated, place=place, reason=reason
        )
    except FileProblems as problems:
        return replace(before, refused="; ".join(one.message for one in problems.complaints))
    except StoreProblem:
        return before
    return replace(found, batch=found.batch or before.batch)


def of_repeat(line: LineFacts, asked: LineAsked, reason: str) -> LineFacts:
    """Return where a repeat is made: in the batch of the run that it repeats, at the station where it is made."""
    said = {
        name: text for name in ("station", "operator", "lot", "fixture") if (text := getattr(asked, name))
    }
    return replace(line, **said, retest_reason=reason if line.batch else "")


def opened_line(batch: BatchRecord) -> str:
    """Return that a batch is opened, so that a name that was mistyped is seen."""
    target = f", {batch.target} units to test" if batch.target else ""
    return printable(
        f"Batch '{batch.batch}' is new: it is opened with this run, for the sequence '{batch.sequence}'{target}."
    )


def batch_stopped(batch: BatchRecord | None, place: StorePlace, run: str) -> str:
    """Close the batch of ``run``, which is over, if its rules say so; returns why, with what to do, or what was not looked up."""
    if batch is None or not batch.rules:
        return ""
    from sequencer.analysis.batch_stop import close_if_due

    name = printable(batch.batch)
    try:
        why = close_if_due(place, batch.batch, run)
    except (StoreProblem, ValueError) as problem:
        return f"Whether batch '{name}' stops by its rules could not be looked up: {printable(str(problem))}"
    if not why:
        return ""
    return (
        f"Batch '{name}' stops: {printable(why)}. The bench is suspected before the units: 'sequencer check-bench', and "
        f"its golden unit, must find it in order before it goes on; or 'sequencer batch \"{name}\" --open REASON'."
    )


def _file(path: Path, plan: Plan) -> BatchFile:
    """Return the batch file, whose sequence must be the one that is run. Raises FileProblems."""
    from sequencer.inputs.batch import load_batch

    loaded = load_batch(path)
    if loaded.sequence.resolve() != plan.sequence.path.resolve():
        raise about_file(
            path,
            f"batch '{loaded.file.batch}' is tested with the sequence {loaded.sequence.name}, and this run is of {plan.sequence.path.name}",
            allowed=f"sequencer run {loaded.file.sequence} --batch {path}",
            hint="or name another batch",
        )
    return loaded.file
