"""The kept task queue as a worker uses it: it wakes the worker, brings it one job's number at a time, and asks for periodic work.

It runs in a thread with an event loop of its own, so that its heartbeat goes on while a bench measures. Its task holds a job's number and
hands it to the thread that measures; whether that may measure, and what counts, is decided by the claim and its fence.
"""

from __future__ import annotations

import asyncio
import logging
import queue
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.results.queue.connect import NOT_IDLE, QueuePlace, connect_words
from sequencer.results.queue.jobs import TASK
from sequencer.results.store.server_line import ANSWER_S

if TYPE_CHECKING:
    from procrastinate import App

TICKS = "own-checks"
"""What carries periodic work. That there is any keeps the task queue's watch over its own threads alive: without, its heartbeat could die
unseen.
"""
POLL_S = 2.0
HEARTBEAT_S = 5.0
AGAIN_S = 2.0
ENDS_S = 2.0
"""How long its end is waited for: a server that is silent would keep it. What it leaves undone at the server is missed there by its
silence, as that of a worker that was killed.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Later(Exception):
    """The job was not taken now: it is brought again after ``after_s``, under ``carrier`` where that is another by now."""

    after_s: float = AGAIN_S
    carrier: str | None = None


class Brought:
    """A job that was brought to the worker, which says what becomes of it."""

    def __init__(self, job: int) -> None:
        self.job = job
        self._done = threading.Event()
        self._later: Later | None = None

    def done(self, later: Later | None = None) -> None:
        """Say that the worker is through with it; ``later`` has it brought again."""
        self._later = later
        self._done.set()

    def wait(self, is_aborted: Callable[[], bool], on_abort: Callable[[int], None]) -> None:
        """Wait until the worker is through. Raises Later."""
        told = False
        while not self._done.wait(0.1):
            if not told and is_aborted():
                told = True
                on_abort(self.job)
        if self._later is not None:
            raise self._later


class Carrier(threading.Thread):
    """Brings jobs into ``inbox``. ``on_abort`` is told of one that was cancelled while the worker has it, ``on_tick`` once a minute."""

    def __init__(
        self,
        found: QueuePlace,
        inbox: queue.Queue[Brought],
        *,
        on_abort: Callable[[int], None],
        on_tick: Callable[[], None],
        name: str,
    ) -> None:
        super().__init__(name="carrier", daemon=True)
        self._found = found
        self._inbox = inbox
        self._on_abort = on_abort
        self._on_tick = on_tick
        self._worker_name = name
        self._queues: tuple[str, ...] = ()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._working: asyncio.Task[None] | None = None
        self._ends = False
        self._guard = threading.Lock()
        self.trouble = ""
        """What came back when it last failed; it is begun again by itself."""
        for one in (
            "procrastinate",
            "psycopg",
            "psycopg.pool",
        ):  # the worker says in its own words what matters
            logging.getLogger(one).setLevel(logging.CRITICAL + 1)

    def listen_to(self, carriers: tuple[str, ...]) -> None:
        """Listen to these names from now on; a job that is under way goes on."""
        wanted = tuple(sorted(carriers))
        with self._guard:
            if wanted == self._queues:
                return
            self._queues = wanted
        self._interrupt()

    def stop(self) -> None:
        """End the thread, once the worker is through with what it was brought."""
        self._ends = True
        self._interrupt()
        if self.is_alive():
            self.join(timeout=ENDS_S)

    def _interrupt(self) -> None:
        with self._guard:
            loop, working = self._loop, self._working
        if loop is not None and working is not None:
            try:
                loop.call_soon_threadsafe(working.cancel)
            except RuntimeError:  # the loop has ended by itself
                return

    def run(self) -> None:
        """Carry until it is stopped; begun anew where the server was away."""
        while not self._ends:
            try:
                asyncio.run(self._carry())
                self.trouble = ""
            except asyncio.CancelledError:
                self.trouble = ""
            except Exception as error:  # of the task queue, its pool or the driver: each means the same here
                said = str(error.__cause__ or error).split("\n", 1)[0]
                self.trouble = said or type(error).__name__
                time.sleep(0.5)

    async def _carry(self) -> None:
        app = self._app()
        # an entry that another worker has ended meanwhile cannot be acknowledged, and need not be
        asyncio.get_running_loop().set_exception_handler(lambda *_: None)
        async with app.open_async():
            with self._guard:
                queues = [*self._queues, TICKS]
                self._loop = asyncio.get_running_loop()
                self._working = asyncio.create_task(
                    app.run_worker_async(
                        queues=queues,
                        name=self._worker_name,
                        concurrency=1,
                        fetch_job_polling_interval=POLL_S,
                        abort_job_polling_interval=POLL_S,
                        update_heartbeat_interval=HEARTBEAT_S,
                        delete_jobs="successful",
                        install_signal_handlers=False,
                    )
                )
            if self._ends:
                self._working.cancel()
            try:
                await self._working
            finally:
                with self._guard:
                    self._loop = self._working = None

    def _app(self) -> App:
        from procrastinate import App, JobContext, PsycopgConnector
        from procrastinate.jobs import Job
        from procrastinate.retry import BaseRetryStrategy, RetryDecision

        class Again(BaseRetryStrategy):
            def get_retry_decision(self, *, exception: BaseException, job: Job) -> RetryDecision | None:
                if not isinstance(exception, Later):
                    return None
                return RetryDecision(retry_in={"seconds": round(exception.after_s)}, queue=exception.carrier)

        words = connect_words(self._found.place, options=f"-csearch_path={self._found.schema} {NOT_IDLE}")
        connector = PsycopgConnector(kwargs=words, min_size=1, max_size=4, timeout=2 * ANSWER_S)
        app = App(connector=connector)

        # no async function: a call to an instrument would block the heartbeat
        @app.task(name=TASK, pass_context=True, retry=Again())
        def measure(context: JobContext, job: int) -> None:
            brought = Brought(job)
            self._inbox.put(brought)
            brought.wait(context.should_abort, self._on_abort)

        @app.periodic(cron="* * * * *")
        @app.task(name=TICKS, queue=TICKS, queueing_lock=TICKS)
        def tick(timestamp: int) -> None:
            del timestamp  # a bench's clock says nothing about when a check is due
            self._on_tick()

        return app


def nothing_brought(inbox: queue.Queue[Any]) -> None:
    """Say of what was brought too late that it is to be brought again, to whoever."""
    while True:
        try:
            inbox.get_nowait().done(Later(after_s=0.0))
        except queue.Empty:
            return
