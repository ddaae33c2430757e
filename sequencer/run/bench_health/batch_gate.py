"""The gate of a batch that has stopped itself: the bench is suspected first, and must be found in order before it goes on."""

from __future__ import annotations

from datetime import datetime

from sequencer.analysis.batch_stop import find_batch_stop
from sequencer.inputs.bench_health import bench_serial
from sequencer.planning.plan import Plan
from sequencer.problems import about_file, printable
from sequencer.results.line import BatchRecord, opened_again
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import EmptyStore
from sequencer.results.store.store import Store, Wanted
from sequencer.run.bench_health.doubted import is_sound

_ROWS = 1000


def open_where_proved(plan: Plan, place: StorePlace, *, batch: str, bench_name: str) -> None:
    """Let a batch go on that has stopped itself, where the bench was checked and found in order since; nothing for any other batch.

    Raises InputError where it was not, with what is to be done; StoreProblem where the store cannot be asked.
    """
    if place.path is not None and not place.path.exists():
        return
    try:
        with Store.open_to_read(place) as store:
            record = store.read_batch(batch)
            if record is None or record.closed is None or not _stopped_itself(store, record):
                return
            proofs, missing = _proofs(plan, store, bench_name=bench_name, since=record.closed)
    except EmptyStore:
        return
    if missing:
        name = printable(batch)
        raise about_file(
            "--batch",
            f"batch '{name}' stopped itself on {record.closed:%Y-%m-%d %H:%M}: {printable(record.stopped)}. "
            f"The bench is suspected before the units: {'; '.join(missing)}",
            allowed=f"a bench that was found in order since, or 'sequencer batch \"{name}\" --open REASON' to go on all the same",
        )
    with Store.open(place) as writing:
        now = datetime.now().astimezone()
        said = opened_again(record.stopped, now, f"bench found in order ({', '.join(proofs)})")
        writing.write_batch_state(batch, closed=None, stopped=said, went_on=now)


def _stopped_itself(store: Store, record: BatchRecord) -> bool:
    """Say whether a rule stopped it and no person: the rules are asked again, as of then."""
    try:
        return find_batch_stop(store, record, until=record.closed) is not None
    except ValueError:  # rules that no sequencer wrote: told of by whoever reads the batch next
        return False


def _proofs(plan: Plan, store: Store, *, bench_name: str, since: datetime) -> tuple[list[str], list[str]]:
    """Return the runs that prove the bench, and what is missing, with the command that makes it."""
    bench, command = plan.bench.bench, f"'sequencer check-bench --bench {plan.bench.path.name}"
    wanted: list[tuple[str, str, str, str]] = []
    if (bench.paths.check is not None) or bench.bench_check is not None:
        wanted.append(("bench_check", bench_serial(bench.bench), "the bench's own check", f"{command}'"))
    if bench.golden_unit is not None:
        golden = bench.golden_unit.serial
        wanted.append(
            ("golden_unit", golden, f"the check of the golden unit {golden}", f"{command} --golden'")
        )
    proofs: list[str] = []
    missing: list[str] = []
    for check, serial, called, how in wanted:
        run, why_not = _last(store, check, serial, bench_name, since)
        if why_not:
            missing.append(f"{called} {why_not} ({how})")
        else:
            proofs.append(f"{called} in run {run}")
    if not wanted:
        missing.append("its bench file names neither a check path nor a golden unit that could prove it")
    return proofs, missing


def _last(store: Store, check: str, serial: str, bench_name: str, since: datetime) -> tuple[str, str]:
    """Return the newest run of a check of the bench, and why it proves nothing."""
    wanted = Wanted(check=check, since=since, measured=True)
    found = [
        one
        for one in store.find_results(wanted, limit=_ROWS, points=False)
        if one.bench == bench_name and one.counts
    ]
    newest = next((one.run for one in found), "")
    run = None if not newest else store.read_run(newest)
    if run is None:
        return "", "was not made since then"
    if check == "golden_unit" and run.serial != serial:
        return "", "was not made since then"
    if not is_sound(one for one in found if one.run == newest):
        return "", f"found it changed (run {newest})"
    return newest, ""
