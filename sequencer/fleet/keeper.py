"""The thread that keeps a worker's rights: the bench's lock, the lease of its job, and that it is heard; and that puts lost jobs back.

It speaks through a connection of its own, on which the bench's lock is held as long as the process lives. Another thread than that which
measures renews the lease, because a check may be silent for longer than a lease; the lease is lost with the process all the same.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress
from enum import Enum
from typing import TYPE_CHECKING, Any

from sequencer.fleet.line import Line, ServerAway
from sequencer.fleet.member import Member
from sequencer.fleet.needs import lacking
from sequencer.results.queue import statements
from sequencer.results.queue.claim import MOST_TRIES, Claim, Lease, renew_lease
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.queue.jobs import TASK

if TYPE_CHECKING:
    from psycopg import Connection

LOCK_WAIT_S = 1.0
"""How long the bench's lock is asked for: a process that has just ended may hold it for a moment."""
SILENT_LOOK_S = 0.5
SLEPT_S = 2.0
"""What a look every `SILENT_LOOK_S` is late by only where this process was stopped, or its machine asleep."""
ENDS_S = 2.0
"""How long its end is waited for, as that of the carrier."""
LOOK_S = 2.0
"""How often what is open in the queue is looked at."""
STALLED_S = 30.0
"""After what silence an entry of the task queue is put back; ours are held by a lease besides."""


ENDED = "its worker has ended"


class Why(Enum):
    """Why a run is to stop."""

    CANCELLED = "the job was cancelled"
    LOST = "the job is another bench's"
    SILENT = "the server was away for longer than the lease"
    ASLEEP = "this process was stopped, or its machine asleep, for longer than the lease"
    BENCH_LOCKED = "another worker has this bench"


LATE = (Why.SILENT, Why.ASLEEP)
"""Why a lease is not known to be ours any more: nobody may have taken the job, and a word from the server is worth more."""


class BenchTaken(Exception):
    """Another worker has this bench; the text names it."""


def lease_now_s() -> float:
    """Return the time by which leases are watched, s: Linux's boot clock, which goes on while the machine is asleep (clock_gettime(2))."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)


class Keeper(threading.Thread):
    """Keeps the rights of one worker. ``stop_run`` is called from this thread where the run under way is to stop."""

    def __init__(self, found: QueuePlace, member: Member, stop_run: Callable[[Why], None]) -> None:
        super().__init__(name="keeper", daemon=True)
        self._member = member
        self._stop_run = stop_run
        self._line = Line(found, on_new=self._lock_bench)
        self._claim: Claim | None = None
        self._valid_until_s = 0.0
        self._slept_s = 0.0
        self._told: Why | None = None
        self._guard = threading.Lock()
        self._wake = threading.Event()
        self._ends = False
        self.carriers: tuple[str, ...] = ()
        """Under which names the task queue carries what this bench can do, of what is open."""
        self.is_away = False
        self.lost_bench = False

    # -- asked by the worker's own thread -------------------------------------------------------------------------------

    def register(self) -> None:
        """Lock the bench, and make known what it can do. Raises BenchTaken, ServerAway."""
        own = self._member.own_check
        words = {
            "bench": self._member.bench,
            "host": self._member.host,
            "can": list(self._member.can),
            "lease_s": self._member.lease_s,
            "own_check": own.as_job() if own else None,
            "own_check_at": own.at if own else None,
            "zone": own.zone if own else "UTC",
        }
        self._line.do(lambda connection: connection.execute(statements.REGISTER, words))

    def look(self) -> None:
        """Look now at what is open. Raises ServerAway."""
        self._line.do(self._look)

    def hold(self, claim: Claim, asked_at_s: float) -> None:
        """Keep the lease of a claim that was asked for at ``asked_at_s`` (`lease_now_s`)."""
        with self._guard:
            self._claim, self._told = claim, None
            self._slept_s = 0.0
            self._valid_until_s = asked_at_s + self._member.lease_s

    def let_go(self) -> None:
        """Keep no lease any more."""
        with self._guard:
            self._claim = None

    def stop(self) -> None:
        """End the thread, and free the bench."""
        self._ends = True
        self._wake.set()
        if self.is_alive():
            self.join(timeout=ENDS_S)
        if not self.lost_bench and not self.is_away and not self.is_alive():
            with suppress(ServerAway, BenchTaken):  # it is missed by its silence then
                words = {"bench": self._member.bench, "lacks": ENDED}
                self._line.do(lambda connection: connection.execute(statements.SEEN, words))
        self._line.close()

    # -- this thread ----------------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Renew and look until it is stopped."""
        threading.Thread(target=self._see_whether_silent, name="lease", daemon=True).start()
        next_look_s = 0.0
        while not self._ends:
            try:
                self._renew()
                if time.monotonic() >= next_look_s:
                    self._line.do(self._look)
                    next_look_s = time.monotonic() + LOOK_S
                self.is_away = False
            except BenchTaken:
                self.lost_bench = True
                self._tell(Why.BENCH_LOCKED)
            except ServerAway:
                self.is_away = True
            self._wake.wait(min(LOOK_S, self._member.lease_s / 3.0))

    def _renew(self) -> None:
        with self._guard:
            claim = self._claim
        if claim is None:
            return
        asked_at_s = lease_now_s()
        lease = self._line.do(lambda connection: renew_lease(connection, claim, self._member.lease_s))
        with self._guard:
            if self._claim is not claim:
                return
            if lease is not Lease.LOST:
                self._valid_until_s = asked_at_s + self._member.lease_s
                self._slept_s = 0.0
        if lease is Lease.STOP:
            self._tell(Why.CANCELLED)
        elif lease is Lease.LOST:
            self._tell(Why.LOST)

    def _see_whether_silent(self) -> None:
        """Watch the lease by this machine's own clock, in a thread that asks nobody: a server may take a question and never answer."""
        looked_s = lease_now_s()
        while not self._wake.wait(SILENT_LOOK_S):
            now_s = lease_now_s()
            why = self._why_late(now_s, now_s - looked_s)
            looked_s = now_s
            if why is not None:
                self._tell(why)

    def _why_late(self, now_s: float, since_last_s: float) -> Why | None:
        """Return why the lease has run out at ``now_s``, ``since_last_s`` after it was looked at before; None while it has not."""
        with self._guard:
            if since_last_s > SLEPT_S:
                self._slept_s += since_last_s
            if self._claim is None or now_s <= self._valid_until_s:
                return None
            # all that it is late by is what nothing of this process ran for
            return Why.ASLEEP if now_s - self._slept_s <= self._valid_until_s else Why.SILENT

    def _tell(self, why: Why) -> None:
        with self._guard:
            if (
                self._claim is None
                or self._told not in (None, *LATE)
                or self._told is why
                or (self._told and why in LATE)
            ):
                return
            self._told = why
        self._stop_run(why)

    def _lock_bench(self, connection: Connection[Any]) -> None:
        """Hold the bench's lock on a new connection. Raises BenchTaken where another process has it."""
        words = {"named": f"sequencer bench {self._member.bench}"}
        until_s = time.monotonic() + LOCK_WAIT_S
        while True:
            row = connection.execute(statements.LOCK_BENCH, words).fetchone()
            if row is not None and row[0]:
                return
            if (
                self._line.before
            ):  # the server may not have noticed that our line was cut: our own session there holds the lock
                connection.execute(statements.END_SESSION, {"process": self._line.before})
            if time.monotonic() > until_s:
                raise BenchTaken(self._member.bench)
            time.sleep(0.2)

    def _look(self, connection: Connection[Any]) -> None:
        member = self._member
        connection.execute(statements.SEEN, {"bench": member.bench, "lacks": ""})
        put_back(connection)
        self.carriers = tuple(
            carrier
            for carrier, needs, refused in connection.execute(statements.OPEN_NEEDS).fetchall()
            if member.bench not in refused and not lacking(needs, member.can)
        )


def put_back(connection: Connection[Any], *, stalled_s: float = STALLED_S) -> None:
    """Bring jobs back that nobody will bring to a bench any more. Each worker does; what one has in hand the others pass by."""
    with connection.transaction():
        connection.execute(statements.CANCELLED_SILENT, {"bench": ""})
        connection.execute(statements.TOO_OFTEN, {"most": MOST_TRIES})
        without: list[int] = []
        for job, token, state in connection.execute(
            statements.WITHOUT_TOKEN, {"stalled_s": stalled_s}
        ).fetchall():
            if state is not None:
                connection.execute(statements.END_TOKEN, {"token": token})
            without.append(job)
        if without:
            connection.execute(statements.DEFER, {"task": TASK, "jobs": without, "again": 1})
        connection.execute(statements.END_TOKENS_LEFT, {"stalled_s": stalled_s})
