"""Jobs through a queue while workers are killed at random and the server is restarted: none lost, none doubled.

`python -m tests.benchmarks.bench_queue --jobs 2000 --workers 3`. Each job is a short run on a simulated bench. A worker chosen at random is
ended with SIGKILL every few seconds and begun again, now and then one is stopped (SIGSTOP) for longer than its lease, and the server is
restarted twice, once as in a crash. With `--cut-every` the workers' line to the server is cut, or falls silent, for shorter or longer than
a lease. Counted afterwards in the store itself: what counts of each job is one whole run.
"""

from __future__ import annotations

import argparse
import random
import shutil
import signal
import tempfile
import time
from pathlib import Path

from sequencer.cli.common.line_options import LineAsked
from sequencer.cli.fleet.adding import add_command
from sequencer.frozen import dataclass
from sequencer.results.queue.seen import read_queue
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.problems import StoreProblem
from tests.support.cut_line import CutLine
from tests.support.postgres_server import PostgresServer
from tests.support.workers import WorkerProcess, bench_named

SERIALS = [f"M40-00{number}" for number in (11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21)]
SEQUENCE = """
sequence: Short
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_power: 4.5 W
checks:
  - {check: carrier_power, channel: 20, limit: {max: 4 W}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
"""
WHOLE = 2
"""Results of a whole run."""
LEASE_S = 8.0
COUNTS = """
with counting as (
    select a.job, count(r.id) as results, count(distinct r.run) as runs
    from (select distinct job, run from {queue}.attempt where run <> '') a join result r on r.run = a.run and r.replaced_by = ''
    group by a.job)
select count(*) filter (where j.state <> 'done'), count(*) filter (where c.job is null or c.results < {whole}),
    count(*) filter (where c.results > {whole} or c.runs > 1), sum(j.tries) - count(*)
from {queue}.job j left join counting c on c.job = j.id
"""
ENDED_TWICE = """
select count(*) from (select a.job from (select distinct job, run from {queue}.attempt where run <> '') a
    join run u on u.run = a.run and u.outcome = 'done' group by a.job having count(*) > 1) twice
"""
WITHOUT_JOB = (
    "select count(*) from run u where not exists (select 1 from {queue}.attempt a where a.run = u.run)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What the store itself says of the jobs afterwards, and how they were disturbed."""

    not_done: int
    lost: int
    doubled: int
    begun_again: int
    ended_twice: int
    without_a_job: int
    kills: int
    restarts: int
    hazards: int


class Campaign:
    """Workers that are killed and begun again."""

    def __init__(self, folder: Path, store: str, workers: int, seed: int) -> None:
        self._store = store
        self._random = random.Random(seed)
        self._benches = [bench_named(folder, f"Bench {number}") for number in range(1, workers + 1)]
        self._workers = [self._begin(bench) for bench in self._benches]
        self._asleep: dict[int, float] = {}
        self.kills = 0
        self.sleeps = 0
        self.ended_by_themselves = 0
        self.words: list[str] = []

    def _begin(self, bench: Path) -> WorkerProcess:
        return WorkerProcess(bench, self._store, "--lease", f"{LEASE_S:g}")

    def strike(self) -> None:
        """Kill one and begin it again; every fifth time let one sleep for longer than its lease instead."""
        number = self._random.randrange(len(self._workers))
        if number in self._asleep:
            return
        if self._random.random() < 0.2:
            self._workers[number].send(signal.SIGSTOP)
            self._asleep[number] = time.monotonic() + 2.0 * LEASE_S
            self.sleeps += 1
            return
        self._workers[number].kill()
        self._keep(number)
        self._workers[number] = self._begin(self._benches[number])
        self.kills += 1

    def look_after(self) -> None:
        """Wake who has slept enough, and begin again who ended by itself, as systemd would."""
        for number, until_s in list(self._asleep.items()):
            if time.monotonic() > until_s:
                self._workers[number].send(signal.SIGCONT)
                del self._asleep[number]
        for number, worker in enumerate(self._workers):
            if number not in self._asleep and worker.has_ended():
                self.ended_by_themselves += 1
                self._keep(number)
                self._workers[number] = self._begin(self._benches[number])

    def end(self) -> None:
        """End all."""
        for number, worker in enumerate(self._workers):
            worker.kill()
            self._keep(number)

    def _keep(self, number: int) -> None:
        self.words.append(self._workers[number].said)


class Cuts:
    """The workers' line to the server, cut or silent for a while every so often."""

    def __init__(self, line: CutLine | None, every_s: float, seed: int) -> None:
        self._line = line
        self._every_s = every_s
        self._random = random.Random(seed + 1)
        self._next_s = time.monotonic() + every_s
        self._whole_s: float | None = None
        self.count = 0

    @property
    def is_whole(self) -> bool:
        """Whether it is whole now; a server does not stop while what it sends is not taken."""
        return self._whole_s is None

    def look_after(self) -> None:
        """Cut it, or make it whole again, where it is time for that."""
        now_s = time.monotonic()
        if self._line is None:
            return
        if self._whole_s is not None and now_s > self._whole_s:
            self._line.mend()
            self._whole_s, self._next_s = None, now_s + self._every_s
        elif self._whole_s is None and now_s > self._next_s:
            (self._line.cut if self._random.random() < 0.5 else self._line.hold_up)()
            self._whole_s = now_s + LEASE_S * self._random.choice((0.3, 0.3, 1.5))
            self.count += 1


def main() -> None:
    """Make the campaign, and print what came of it."""
    given = options()
    folder = Path(tempfile.mkdtemp(prefix="queue"))
    server = PostgresServer()
    try:
        go(given, folder, server)
    finally:
        server.close()
        shutil.rmtree(folder, ignore_errors=True)


def options(words: list[str] | None = None) -> argparse.Namespace:
    """Return what is asked for, by the command line or by a test."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--jobs", type=int, default=200)
    asked.add_argument("--workers", type=int, default=3)
    asked.add_argument("--kill-every", type=float, default=4.0, help="seconds between kills")
    asked.add_argument(
        "--cut-every", type=float, default=0.0, help="seconds between cuts of the line; 0: none"
    )
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--log", type=Path, help="where the workers' words go")
    return asked.parse_args(words)


def go(given: argparse.Namespace, folder: Path, server: PostgresServer) -> Counted:
    """Add the jobs, disturb their workers until all are over, and count."""
    store = server.address()
    place = find_place(Path(), store)
    found, _ = set_up(place)
    sequence = folder / "short.yaml"
    sequence.write_text(SEQUENCE, encoding="utf-8")
    for first in range(0, given.jobs, 100):
        serials = [SERIALS[number % len(SERIALS)] for number in range(first, min(first + 100, given.jobs))]
        add_command(
            str(sequence),
            serials=serials,
            units=None,
            model="",
            due="",
            priority=0,
            no_bench_yet=True,
            line=LineAsked(),
            store=store,
            as_json=False,
        )
    line = CutLine(server) if given.cut_every else None
    by = line.address(store) if line is not None else store
    campaign = Campaign(folder, by, given.workers, given.seed)
    cuts = Cuts(line, given.cut_every, given.seed)
    began_s = time.monotonic()
    next_kill_s = began_s + given.kill_every
    restarts = [(given.jobs // 3, "fast"), (2 * given.jobs // 3, "immediate")]
    done = restarted = 0
    try:
        while done < given.jobs:
            time.sleep(0.5)
            campaign.look_after()
            cuts.look_after()
            done = _over(place, done)
            if restarts and done >= restarts[0][0] and cuts.is_whole:
                _, mode = restarts.pop(0)
                server.stop(mode)
                time.sleep(3.0)
                server.start()
                restarted += 1
                print(f"server restarted ({mode}) after {done} jobs", flush=True)
            if time.monotonic() > next_kill_s:
                campaign.strike()
                next_kill_s = time.monotonic() + given.kill_every
    finally:
        campaign.end()
        if line is not None:
            line.close()
        if given.log is not None:
            given.log.write_text("\n".join(campaign.words), encoding="utf-8")
    took_s = time.monotonic() - began_s
    with server.connect() as connection:
        connection.execute(f"set search_path = {found.schema.removesuffix('_queue')}")
        words = {"queue": found.schema, "whole": WHOLE}
        not_done, lost, doubled, again = connection.execute(COUNTS.format(**words)).fetchone()
        twice = connection.execute(ENDED_TWICE.format(**words)).fetchone()[0]
        without = connection.execute(WITHOUT_JOB.format(**words)).fetchone()[0]
    print(
        f"{given.jobs} jobs, {given.workers} workers, {took_s:.0f} s ({given.jobs / took_s:.2f} a second): {campaign.kills} killed, "
        f"{campaign.sleeps} asleep for longer than their lease, line cut {cuts.count} times, "
        f"{campaign.ended_by_themselves} ended by themselves; begun again {again}; "
        f"not done {not_done}, lost {lost}, doubled {doubled}, ended twice {twice}, runs without a job {without}",
        flush=True,
    )
    for words in (
        "is carried on",
        "its end is brought",
        "cut short elsewhere",
        "too late: kept beside",
        "witness: ",
    ):
        print(
            f"{words!r} in the workers' words: {sum(one.count(words) for one in campaign.words)}", flush=True
        )
    return Counted(
        not_done=not_done,
        lost=lost,
        doubled=doubled,
        begun_again=again,
        ended_twice=twice,
        without_a_job=without,
        kills=campaign.kills,
        restarts=restarted,
        hazards=sum(one.count("witness: ") for one in campaign.words),
    )


def _over(place: StorePlace, before: int) -> int:
    """How many jobs are over; as many as before while the server is away."""
    try:
        counts = read_queue(place, most=1).counts
    except StoreProblem:
        return before
    return counts["done"] + counts["failed"] + counts["cancelled"]


if __name__ == "__main__":
    main()
