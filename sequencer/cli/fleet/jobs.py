"""`jobs`, `jobs cancel`, `jobs clear`, `jobs set-up`: the queue looked at and changed by a person."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from sequencer.fleet.needs import lacking, lacks_unit
from sequencer.problems import printable
from sequencer.results.queue.clear import OldJobs, clear_jobs, find_old_jobs
from sequencer.results.queue.connect import find_queue, need_carrier
from sequencer.results.queue.jobs import cancel_job
from sequencer.results.queue.seen import STATES, BenchSeen, JobSeen, QueueSeen, read_queue
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.place import find_place
from sequencer.run.status import ExitStatus
from sequencer.units.format import counted, time_text


def show_command(*, states: Sequence[str], limit: int, store: str, as_json: bool) -> int:
    """Show the queue."""
    queue = read_queue(find_place(Path(), store), states=states or STATES, most=limit)
    if as_json:
        click.echo(json.dumps(asdict(queue), default=_plain, ensure_ascii=False, indent=2))
        return 0
    for line in queue_lines(queue):
        click.echo(printable(line))
    shown, there = len(queue.jobs), sum(queue.counts[one] for one in (states or STATES))
    if shown < there:
        click.echo(f"{shown} of {counted(there, 'job')}: --limit shows more.", err=True)
    return 0


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime) else str(value)


def queue_lines(queue: QueueSeen) -> Iterator[str]:
    """Yield the queue in lines: how many are in each state, the jobs, the benches."""
    yield ", ".join(f"{number} {state}" for state, number in queue.counts.items())
    room = max((len(one.serial) for one in queue.jobs), default=0)
    for job in queue.jobs:
        words = _state_words(job, queue.now)
        if job.state == "waiting" and queue.benches and not any(_may_take(one, job) for one in queue.benches):
            words += "; none of the benches can do it"
        batch = f", batch {job.line['batch']}" if job.line.get("batch") else ""
        yield f"{job.id:>6}  {job.serial:{room}}  {Path(job.sequence).stem}{batch}  {words}"
        for one in job.refusals:
            yield f"        refused by {one.bench}: {one.why}"
    if queue.benches:
        yield "Benches:"
    for bench in queue.benches:
        yield f"  {bench.bench} on {bench.host}: {_bench_words(bench)}"


def _may_take(bench: BenchSeen, job: JobSeen) -> bool:
    """Say whether a bench may take a job, as far as is known: its plan has not refused it, and nothing is lacking."""
    has_refused = any(one.bench == bench.bench for one in job.refusals)
    return not has_refused and not lacking(job.needs, bench.can) and not lacks_unit(job.serial, bench.can)


def _state_words(job: JobSeen, now: datetime) -> str:
    match job.state:
        case "waiting":
            words = "waiting" if job.is_due else f"waiting until {_clock(job.due)}"
            words += f", priority {job.priority}" if job.priority else ""
            return f"{words}; {job.said}" if job.said else words
        case "taken":
            assert job.taken is not None
            since = time_text((now - job.taken).total_seconds())
            left_s = job.lease_left_s or 0.0
            lease = f"lease {time_text(left_s)}" if left_s > 0 else "its lease has run out"
            stop = ", being cancelled" if job.stop else ""
            return f"on {job.bench} for {since}, {lease}{stop}"
        case "done":
            return f"done on {job.bench}, status {job.status}, run {job.run}"
        case _:
            return f"{job.state}: {job.said}" if job.said and job.said != job.state else job.state


def _bench_words(bench: BenchSeen) -> str:
    if bench.lacks:
        return f"takes no job: {bench.lacks}"
    if not bench.is_there:
        return f"silent for {time_text(bench.silent_s)}"
    return "free" if bench.job is None else f"measures job {bench.job}"


def _clock(moment: datetime) -> str:
    """Return a moment in the reader's zone, with its offset."""
    return f"{moment.astimezone():%Y-%m-%d %H:%M %z}"


def cancel_command(numbers: Sequence[int], *, store: str) -> int:
    """Cancel jobs; returns the exit status: wrong input where one is not there, or is over."""
    found = find_queue(find_place(Path(), store))
    status = 0
    for number in numbers:
        done = cancel_job(found, number)
        if done is None:
            click.echo(f"There is no job {number} that waits or is measured.", err=True)
            status = int(ExitStatus.INPUT_WRONG)
        elif done.bench:
            click.echo(
                f"Job {number} ({printable(done.serial)}): bench {printable(done.bench)} was told to stop, and makes itself safe."
            )
        else:
            click.echo(f"Job {number} ({printable(done.serial)}) is cancelled.")
    return status


def clear_command(*, older_than: int, is_meant: bool, store: str, as_json: bool) -> int:
    """Say which jobs have long been over, and clear them where that is meant."""
    place = find_place(Path(), store)
    queue = find_queue(place)
    found = find_old_jobs(queue, older_than)
    cleared = clear_jobs(queue, older_than) if is_meant else None
    if as_json:
        click.echo(json.dumps({**asdict(found), "cleared": cleared}, ensure_ascii=False, indent=2))
        return 0
    for line in _old_lines(str(place), found, cleared):
        click.echo(printable(line))
    return 0


def _old_lines(place: str, found: OldJobs, cleared: int | None) -> Iterator[str]:
    yield f"{place}: jobs that have been over for {counted(found.days, 'day')} or longer"
    states = ", ".join(f"{number} {state}" for state, number in sorted(found.over.items()))
    done = "to clear" if cleared is None else "cleared"
    yield f"  {done}: {counted(found.count if cleared is None else cleared, 'job')}{f' ({states})' if states else ''}"
    if found.benches:
        yield f"  {done}: {counted(len(found.benches), 'bench', 'benches')} not heard of since: {', '.join(found.benches)}"
    yield f"  stay: {counted(found.waiting, 'job')} waiting or taken, {found.newer} over since; the runs and results of every job"
    if cleared is None:
        yield "Nothing was changed: with --delete they are cleared."


def set_up_command(*, store: str) -> int:
    """Make the queue's tables."""
    place = find_place(Path(), store)
    need_carrier()
    _, made = set_up(place)
    click.echo(f"{place}: the queue's tables {'were made' if made else 'were there already'}.")
    return 0
