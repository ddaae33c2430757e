"""The gate of a batch that has stopped itself: the bench is suspected first, and must be found in order before it goes on."""

from __future__ import annotations

from datetime import datetime

from sequencer.inputs.bench_parts.bench_health import bench_serial
from sequencer.planning.plan import Plan
from sequencer.problems import about_file, printable
from sequencer.results.line import OPENED_AGAIN, BatchRecord, with_reason
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import EmptyStore
from sequencer.results.store.store import Store, Wanted
from sequencer.run.bench_health.bench_state import check_bench_words
from sequencer.run.bench_health.doubted import is_sound
from sequencer.run.bench_health.own_sequences import HealthCheck, lacking_check

_ROWS = 1000


def open_where_proved(plan: Plan, place: StorePlace, *, batch: str, bench_name: str, simulated: bool) -> None:
    """Let a batch go on that has stopped itself, where the bench was checked and found in order since; nothing for any other batch.

    Of several benches that had tested for it each must be: what one of them proves says nothing of the others.

    Raises InputError where it was not, with what is to be done; StoreProblem where the store cannot be asked.
    """
    if place.path is not None and not place.path.exists():
        return
    try:
        with Store.open_to_read(place) as store:
            record = store.read_batch(batch)
            if record is None or record.stopped_at is None or record.simulated != simulated:
                return
            if not (record.stopped_itself or _is_suspected(store, record, bench_name)):
                return
            proofs, missing = _proofs(plan, store, place, bench_name=bench_name, since=record.stopped_at)
    except EmptyStore:
        return
    if missing:
        name = printable(batch)
        raise about_file(
            "--batch",
            f"batch '{name}' stopped itself on {record.stopped_at:%Y-%m-%d %H:%M}: {printable(record.stopped)}. "
            f"The bench is suspected before the units: {'; '.join(missing)}",
            allowed=f"a bench that was found in order since, or 'sequencer batch \"{name}\" --open REASON' to go on all the same",
        )
    if record.closed is None:
        return
    with Store.open(place) as writing:
        now = datetime.now().astimezone()
        said = with_reason(record.stopped, OPENED_AGAIN, now, f"bench found in order ({', '.join(proofs)})")
        # where somebody has closed or opened it meanwhile that holds: the batch is read once more before anything is measured
        writing.write_batch_state(batch, closed=None, stopped=said, went_on=now, was=record)


def _is_suspected(store: Store, record: BatchRecord, bench_name: str) -> bool:
    """Say whether a bench had tested for the batch before it stopped, and has not since another bench's proof let it go on."""
    if record.closed is not None or record.went_on is None:
        return False
    runs = [
        one
        for one in store.read_runs(Wanted(batch=record.batch, measured=True), limit=None)
        if one.bench == bench_name
    ]
    return bool(runs) and not any(one.time >= record.went_on for one in runs)


def _proofs(
    plan: Plan, store: Store, place: StorePlace, *, bench_name: str, since: datetime
) -> tuple[list[str], list[str]]:
    """Return the runs that prove the bench, and what is missing, with the command that makes it."""
    bench = plan.bench.bench
    wanted: list[tuple[HealthCheck, str, str, str]] = []
    if (bench.paths.check is not None) or bench.bench_check is not None:
        wanted.append(
            (
                "bench_check",
                bench_serial(bench.bench),
                "the bench's own check",
                f"'{check_bench_words(plan, place)}'",
            )
        )
    if bench.golden_unit is not None:
        golden = bench.golden_unit.serial
        wanted.append(
            (
                "golden_unit",
                golden,
                f"the check of the golden unit {golden}",
                f"'{check_bench_words(plan, place, '--golden')}'",
            )
        )
    proofs: list[str] = []
    missing: list[str] = []
    for check, serial, called, how in wanted:
        run, why_not = _last(store, check, serial, bench_name, since)
        if why_not:
            lacking = lacking_check(plan.bench, check)
            missing.append(f"{called} {why_not} ({f'{lacking}; then {how}' if lacking else how})")
        else:
            proofs.append(f"{called} in run {run}")
    if not wanted:
        missing.append("its bench file names neither a check path nor a golden unit that could prove it")
    return proofs, missing


def _last(store: Store, check: str, serial: str, bench_name: str, since: datetime) -> tuple[str, str]:
    """Return the newest run of a check of the bench that began after ``since``, and why it proves nothing.

    One that began before and ended after has seen the bench as it was before the stop, or was under way when somebody touched it.
    """
    wanted = Wanted(check=check, since=since, measured=True)
    found = [
        one
        for one in store.find_results(wanted, limit=_ROWS, points=False)
        if one.bench == bench_name and one.counts
    ]
    runs = [
        run for name in dict.fromkeys(one.run for one in found) if (run := store.read_run(name)) is not None
    ]
    if check == "golden_unit":
        runs = [run for run in runs if run.serial == serial]
    if not runs:
        return "", "was not made since then"
    newest = max(runs, key=lambda run: run.time)
    if newest.time < since:
        return (
            "",
            f"was begun before that (run {newest.run}) and proves nothing of the bench since: make it again",
        )
    if newest.outcome != "done":
        return "", f"did not come to its end (run {newest.run})"
    if not is_sound(one for one in found if one.run == newest.run):
        return "", f"found it changed (run {newest.run})"
    return newest.run, ""
