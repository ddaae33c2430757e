"""A study that is kept: held by one process at a time, gone on with as it was begun, and compared with what the store holds."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from sequencer.problems import Complaint, FileProblems, about_file, printable
from sequencer.results.gauge_log import GaugeHead, GaugeLog, GaugeRecord, KeptCell, read_gauge, unkept
from sequencer.results.store.place import find_place


@contextmanager
def only_here(path: Path) -> Iterator[None]:
    """Hold the lock of a study, which one process makes at a time."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(path.with_suffix(".gauge-lock"), timeout=0)
        lock.acquire()
    except Timeout as error:
        raise about_file(
            path, "another process makes this study", allowed="one at a time", hint="end that one first"
        ) from error
    except OSError as error:
        raise unkept(path, error) from error
    try:
        yield
    finally:
        lock.release()


def kept_so_far(path: Path, head: GaugeHead) -> GaugeRecord | None:
    """Return what is kept of the study; None where it begins. Raises FileProblems where it was begun otherwise."""
    if not path.exists():
        return None
    record = read_gauge(path)
    if record.ended_early:
        raise about_file(
            path,
            "the study was ended early, and its values were shown",
            allowed="'sequencer gauge --show' with its name",
            hint="begin another under another name ('gauge:')",
        )
    was, now = record.head.as_plain(), head.as_plain()
    changed = [name for name in now if was[name] != now[name] and name != "seed"]
    if changed:
        raise FileProblems(
            Complaint(
                file=str(path),
                message=f"the study was begun with another {_CALLED.get(name, name)}: {_short(was[name])}, now {_short(now[name])}",
                allowed="a study is made to its end as it was begun",
                hint="give the changed one another name ('gauge:'), or change it back",
            )
            for name in changed
        )
    return record


_CALLED = {
    "sequence_hash": "content of the sequence's file",
    "bench_hash": "content of the bench file",
    "simulated": "kind of bench (simulated or not)",
    "trials": "number of trials",
}


def _short(value: object) -> str:
    return printable(", ".join(map(str, value)) if isinstance(value, tuple) else str(value))[:80]


def begun_log(path: Path, record: GaugeRecord | None, head: GaugeHead) -> GaugeLog:
    """Return the file of the study, begun or gone on with. Raises FileProblems where it cannot be written."""
    try:
        return GaugeLog.begin(path, head) if record is None else GaugeLog.go_on(path, record)
    except OSError as error:
        raise unkept(path, error) from error


def end_early(path: Path) -> None:
    """End a study before it is whole, so that its values may be shown; nothing where it is whole or ended. Raises FileProblems."""
    with only_here(path):
        record = read_gauge(path)
        if record.is_whole or record.ended_early:
            return
        try:
            with closing(GaugeLog.go_on(path, record)) as log:
                log.end_early()
        except OSError as error:
            raise unkept(path, error) from error


def cells_without_run(record: GaugeRecord, folder: Path, store_name: str) -> tuple[list[KeptCell], str]:
    """Return the measurements whose run the store does not hold, and why none can be looked up there, empty where they can."""
    from sequencer.results.store.store import Store, StoreProblem

    place = find_place(folder, store_name)
    try:
        with Store.open_to_read(place) as store:
            cells = sorted(record.cells.values(), key=lambda cell: cell.number)
            return [cell for cell in cells if store.read_run(cell.run) is None], ""
    except (StoreProblem, FileProblems) as problem:
        return [], str(problem)
