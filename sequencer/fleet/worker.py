"""The loop of a worker: one bench that takes jobs from the queue, one at a time, and gives back what it cannot end.

The bench is driven by the main thread, which signals reach. Another thread brings jobs (`Carrier`), a third keeps lease and lock
(`Keeper`) and may ask the run under way to stop.
"""

from __future__ import annotations

import queue
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol, TypeVar

from sequencer.fleet.carrier import AGAIN_S, Brought, Carrier, Later, nothing_brought
from sequencer.fleet.keeper import LATE, Keeper, Why, lease_now_s
from sequencer.fleet.line import Line, ServerAway
from sequencer.fleet.member import Member
from sequencer.fleet.own_check import add_own_checks
from sequencer.frozen import dataclass
from sequencer.results.queue import statements
from sequencer.results.queue.claim import Claim, claim_job, give_back, refuse
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.queue.fence import JobFence
from sequencer.results.store.server_line import hurried
from sequencer.run.interrupt import Interrupted, Stopper
from sequencer.run.status import ExitStatus

_Answer = TypeVar("_Answer")
IDLE_S = 0.2
NOT_BEGUN_AGAIN_S = 30.0
"""After what time a job is brought again that could not begin for a reason that may pass."""
MOST_FAILURES = 3
"""Runs in a row that failed by the bench, after which its worker ends: somebody should look at it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What became of a job on this bench: ``refused`` by its plan, or ``not_begun`` for what may pass, or measured, and then said.

    ``beside`` is the journal of a run that the store has not whole. ``failed``: by the bench, not by the unit.
    """

    refused: str = ""
    not_begun: str = ""
    said: str = ""
    beside: Path | None = None
    failed: bool = False
    unsafe: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """How bringing a kept run into the store went: ``away`` is to be tried again, ``late`` means that the job is another's.

    ``failed``: it cannot be brought in, for the reason that is ``said``.
    """

    away: bool = False
    late: bool = False
    failed: bool = False
    said: str = ""


class Measures(Protocol):
    """Whoever drives the bench."""

    def measure(self, claim: Claim, fence: JobFence, tell: Callable[[str], None]) -> Measured:
        """Measure the unit of a job, or carry on its run where its journal lies here."""

    def settle(self, beside: Path, fence: JobFence) -> Settled:
        """Bring a run that was kept beside into the store, and end the job with it, while it is ours."""


class Worker:
    """A worker. ``say`` is told of each job in a line; ``once`` ends after one job, ``drain`` when nothing is there to be done."""

    def __init__(
        self,
        found: QueuePlace,
        member: Member,
        bench: Measures,
        stopper: Stopper,
        say: Callable[[str], None],
        *,
        once: bool = False,
        drain: bool = False,
    ) -> None:
        self._found, self._member, self._bench, self._stopper, self._say = found, member, bench, stopper, say
        self._once, self._drain = once, drain
        self._inbox: queue.Queue[Brought] = queue.Queue()
        self._line = Line(found)
        self._keeper = Keeper(found, member, self._stop_run)
        self._carrier = Carrier(
            found,
            self._inbox,
            on_abort=lambda job: self._stop_run(Why.CANCELLED),
            on_tick=self._tick,
            name=f"{member.bench} on {member.host}",
        )
        self._guard = threading.Lock()
        self._is_running = False
        self._asked: Why | None = None
        self._failures = 0
        self._trouble = ""
        self._done = 0
        self.status = ExitStatus.PASSED

    def _tick(self) -> None:
        add_own_checks(self._found)

    def lock_bench(self) -> None:
        """Lock the bench's name at the server, to be done before anything is sent to its instruments. Raises BenchTaken, ServerAway."""
        self._keeper.register()

    def let_go(self) -> None:
        """Free the bench's name where `go` has not been reached."""
        self._keeper.stop()

    def go(self) -> ExitStatus:
        """Work until it is stopped; returns how it ended. Raises BenchTaken and ServerAway before it has begun."""
        self.lock_bench()  # heard of again: opening the bench may have taken longer than the lease
        self._line.do(lambda made: add_own_checks(self._found))
        self._keeper.look()
        before = signal.signal(signal.SIGUSR1, self._handle_asked)
        try:
            self._keeper.start()
            self._take_up_own()
            self._carrier.listen_to(self._keeper.carriers)
            self._carrier.start()
            with hurried(
                lambda: self._stopper.requests > 0
            ):  # what a silent server keeps is settled by the next worker
                self._work()
        except Interrupted:
            self.status = max(self.status, ExitStatus.INTERRUPTED)
        finally:
            with self._stopper.held(), hurried(lambda: self._stopper.requests > 0):
                self._end()
                signal.signal(signal.SIGUSR1, before)
        return self.status

    def _handle_asked(self, *_: object) -> None:
        """Stop the run under way as Ctrl-C does; what comes late finds none."""
        if self._is_running:
            self._stopper.raise_asked()

    def _end(self) -> None:
        ending = threading.Thread(target=self._carrier.stop)
        ending.start()
        nothing_brought(self._inbox)
        self._keeper.stop()  # at the same time: each may be waiting for a server that is silent
        while ending.is_alive():
            nothing_brought(self._inbox)
            ending.join(0.05)
        self._line.close()

    def _work(self) -> None:
        while not self._is_over():
            self._stopper.check()
            if self._keeper.lost_bench:
                self._say("another worker has this bench; this one ends")
                self.status = ExitStatus.BENCH_FAILED
                return
            try:
                brought = self._inbox.get(timeout=IDLE_S)
            except queue.Empty:
                self._carrier.listen_to(self._keeper.carriers)
                self._tell_trouble()
                continue
            later: Later | None = Later()
            try:
                later = self._take(brought.job)
            except ServerAway:
                later = Later()
            finally:
                brought.done(later)

    def _tell_trouble(self) -> None:
        """Say once that the server does not answer, and once that it does again."""
        trouble = self._carrier.trouble
        if trouble and not self._trouble:
            self._say(f"the queue is not heard ({trouble}); it is asked again and again")
        elif self._trouble and not trouble:
            self._say("the queue is heard again")
        self._trouble = trouble

    def _is_over(self) -> bool:
        if self._failures >= MOST_FAILURES:
            self._say(f"{MOST_FAILURES} runs in a row failed by the bench; the worker ends")
            self.status = ExitStatus.BENCH_FAILED
            return True
        if self.status is ExitStatus.BENCH_FAILED or (self._once and self._done):
            return True
        return self._drain and self._inbox.empty() and not self._has_more()

    def _has_more(self) -> bool:
        """Say whether a job is due that this bench could take."""
        try:
            rows = self._line.do(
                lambda connection: connection.execute(
                    statements.HAS_MORE,
                    {"bench": self._member.bench, "carriers": list(self._keeper.carriers)},
                ).fetchone()
            )
        except ServerAway:
            return True
        return bool(rows and rows[0])

    def _take_up_own(self) -> None:
        """Take up first what this bench had when its worker ended."""
        words = {"bench": self._member.bench}
        self._line.do(lambda connection: connection.execute(statements.CANCELLED_SILENT, words))
        for (job,) in self._line.do(
            lambda connection: connection.execute(statements.OWN_TAKEN, words).fetchall()
        ):
            self._take(job)

    # -- one job --------------------------------------------------------------------------------------------------------

    def _take(self, job: int) -> Later | None:
        """Claim a job and measure it; returns whether it is to be brought again. Raises ServerAway before it was claimed, Interrupted."""
        asked_at_s = lease_now_s()
        claim = self._line.do(
            lambda connection: claim_job(
                connection,
                job,
                bench=self._member.bench,
                host=self._member.host,
                lease_s=self._member.lease_s,
                carriers=self._keeper.carriers,
            )
        )
        if claim is None:
            return self._why_not(job)
        self._keeper.hold(claim, asked_at_s)
        fence = JobFence(self._found, claim)
        label = f"job {claim.job}, {claim.serial}, {Path(claim.sequence).stem}"
        self._say(f"{label}: taken")
        try:
            measured = self._measured(claim, fence, label)
            later = self._settled(claim, fence, measured, label)
        finally:
            self._keeper.let_go()
        self._done += 1
        if measured.unsafe:
            self.status = ExitStatus.BENCH_FAILED
        self._failures = self._failures + 1 if measured.failed else 0
        return later

    def _why_not(self, job: int) -> Later | None:
        """Return when a job is brought again that could not be had; None where it is over."""
        row = self._line.do(lambda connection: connection.execute(statements.LEFT, {"job": job}).fetchone())
        if row is None:
            return None
        after_s, carrier = row
        return Later(after_s=min(max(AGAIN_S, float(after_s)), 3600.0), carrier=carrier)

    def _measured(self, claim: Claim, fence: JobFence, label: str) -> Measured:
        """Measure it; whatever asks to stop is the run's to obey, and what was asked of this run alone is forgotten with it."""
        with self._guard:
            self._is_running, self._asked = True, None
        try:
            with self._stopper.as_before():
                try:
                    return self._bench.measure(claim, fence, lambda text: self._say(f"{label}: {text}"))
                finally:
                    self._stopper.hold()
                    with self._guard:
                        self._is_running = False
        except Interrupted:
            return Measured(not_begun="stopped before it had begun")
        finally:
            self._stopper.forget_asked()

    def _settled(self, claim: Claim, fence: JobFence, measured: Measured, label: str) -> Later | None:
        """See that a job is ended, refused, or given back; waits for a server that is away."""
        if measured.said:
            self._say(f"{label}: {measured.said}")
        if measured.refused:
            self._say(f"{label}: refused: {measured.refused}")
            carrier = self._patiently(
                lambda: self._line.do(
                    lambda made: refuse(made, claim, bench=self._member.bench, why=measured.refused)
                )
            )
            return Later(after_s=0.0, carrier=carrier) if carrier else None
        if measured.not_begun:
            self._say(f"{label}: not begun: {measured.not_begun}")
            ours = self._patiently(
                lambda: self._line.do(
                    lambda made: give_back(made, claim, why=measured.not_begun, after_s=NOT_BEGUN_AGAIN_S)
                )
            )
            return Later(after_s=NOT_BEGUN_AGAIN_S) if ours else None
        beside = measured.beside
        if beside is not None:
            self._bring_in(claim, fence, beside, label)
        return self._patiently(lambda: self._why_not(claim.job))

    def _bring_in(self, claim: Claim, fence: JobFence, beside: Path, label: str) -> None:
        """Bring in what was kept beside while the server was away; where the job is another's by then, say so with the attempt."""
        settled = self._bench.settle(beside, fence)
        if settled.away:
            when = (
                ", and the next worker of this bench takes it up"
                if self._stopper.requests
                else " and brought in when it is back"
            )
            self._say(f"{label}: the store is away; the run is kept in {beside}{when}")
        while settled.away:
            self._stopper.check()
            self._wait()
            settled = self._bench.settle(beside, fence)
        if settled.failed:
            self._say(f"{label}: {settled.said}")
            self._patiently(lambda: self._line.do(lambda made: give_back(made, claim, why=settled.said)))
            return
        if not settled.late:
            self._say(f"{label}: {settled.said}")
            return
        said = f"too late: kept beside in {beside} on {self._member.host}, and counts for nothing"
        self._say(f"{label}: {said}")
        words = {"job": claim.job, "fence": claim.fence, "outcome": said[:400]}
        self._patiently(
            lambda: self._line.do(lambda made: made.execute(statements.ATTEMPT_ENDED, words).rowcount)
        )

    def _patiently(self, ask: Callable[[], _Answer]) -> _Answer:
        """Ask until the server answers."""
        while True:
            try:
                return ask()
            except ServerAway:
                self._wait()

    def _wait(self) -> None:
        until_s = time.monotonic() + 1.0
        while time.monotonic() < until_s:
            self._stopper.check()
            time.sleep(IDLE_S)

    def _stop_run(self, why: Why) -> None:
        """Have the run under way stop: at its next check where the server is away, at once otherwise. Called from other threads."""
        with self._guard:
            if not self._is_running or self._asked not in (None, *LATE):
                return
            self._asked = why
            self._stopper.ask(why.value)
            if why not in LATE:
                signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGUSR1)
