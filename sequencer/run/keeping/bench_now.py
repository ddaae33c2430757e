"""Says in the store what a bench does now, for whoever watches: a thread of its own writes it, and the run waits for nothing.

It writes as a check begins or ends, after a fault, and every few seconds as a sign that the process is there. A unit may be on the air
meanwhile: the thread has its own connection and little patience, and a word that cannot be written is left out.
"""

from __future__ import annotations

import os
import socket
import threading
import uuid
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from types import TracebackType
from typing import Any, Self

from sequencer.planning.plan import Plan
from sequencer.results.bench_now import BEAT_S, Calibrated, Doing, Worked
from sequencer.results.model import was_nothing_sent
from sequencer.results.store.bench_now import BenchNowWriter
from sequencer.results.store.place import StorePlace
from sequencer.run.events import CheckEnded, CheckStarted, Event, FaultMet, RunEnded, RunStarted, StepTaken
from sequencer.uncertainty.decision import Decision

SOON_S = 0.5
"""Words that follow each other quicker are written as one."""
LAST_WORD_S = 1.0
"""How long the end of a session waits for its last word to be written."""
_WRONG = (Decision.FAIL, Decision.CONDITIONAL_FAIL, Decision.NOT_MEASURED)
_MOST_WRONG = 12


class BenchTeller:
    """Tells what is done at a bench from when it is entered to when it is left; ``listen`` hears the runs made there.

    ``problem`` is why a word could not be written, the first that was not; nothing is raised.
    """

    def __init__(
        self,
        place: StorePlace,
        *,
        bench: str,
        simulated: bool,
        program: str,
        station: str = "",
        beat_s: float = BEAT_S,
        make_writer: Callable[[StorePlace], BenchNowWriter] = BenchNowWriter,
    ) -> None:
        self._place = place
        self._worked = Worked(
            id=uuid.uuid4().hex,
            bench=bench,
            machine=socket.gethostname(),
            process=os.getpid(),
            station=station,
            simulated=simulated,
        )
        self._doing = Doing(program=program, phase="opening", told=_now())
        self._beat_s = beat_s
        self._make_writer = make_writer
        self._begun: set[int] = set()
        self._left: tuple[bool | None, str] = (None, "")
        self._lock = threading.Lock()
        self._news = threading.Event()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._write_on, name="bench now", daemon=True)
        self.problem = ""

    @property
    def doing(self) -> Doing:
        """What was said last."""
        with self._lock:
            return self._doing

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.tell(phase="ended", check="", remaining_s=None, question=(), soon=False)
        self._over.set()
        self._news.set()
        self._thread.join(LAST_WORD_S)

    def of_run(self, plan: Plan, *, batch: str = "") -> None:
        """Say by which sequence a run is made that is about to begin, and which calibrations of its bench run out when."""
        instruments = plan.bench.bench.instruments.items()
        calibrated = tuple(
            Calibrated(name=name, due=one.calibration.due.isoformat())
            for name, one in instruments
            if one.calibration is not None and one.calibration.due is not None
        )
        self.tell(batch=batch, calibrated=calibrated, soon=False)

    def tell(self, *, soon: bool = True, **changes: Any) -> None:
        """Say what is otherwise than before (fields of `Doing`); ``soon``: not only with the next sign."""
        with self._lock:
            self._doing = replace(self._doing, told=_now(), **changes)
        if soon:
            self._news.set()

    def listen(self, event: Event) -> None:
        """Take one event of a run."""
        match event:
            case RunStarted():
                self._begun.clear()
                self._left = (self.doing.safe, self.doing.safe_why)
                self.tell(**_of_started(event))
            case CheckStarted():
                self._begun.add(event.index)
                self.tell(
                    phase="measuring",
                    check=event.label,
                    number=len(self._begun),
                    remaining_s=event.remaining_s,
                )
            case StepTaken():
                self.tell(remaining_s=event.remaining_s, soon=False)
            case CheckEnded():
                self._of_ended(event)
            case FaultMet():
                self.tell(fault=f"{event.fault.instrument}: {event.fault.what}", fault_at=_now())
            case RunEnded():
                self.tell(check="", remaining_s=None, **self._left_by(event))
            case _:
                pass

    def _left_by(self, event: RunEnded) -> dict[str, Any]:
        """Return how a run left its bench; one that sent nothing left it as it had stood before."""
        safe: bool | None = event.bench_safe
        why = event.last_line
        if was_nothing_sent(event.outcome):
            safe, why = self._left if self._left[0] is not None else (None, event.last_line)
        self._left = (safe, why)
        return {"safe": safe, "safe_why": why, "feels": event.feels}

    def _of_ended(self, event: CheckEnded) -> None:
        wrong = [
            f"{one.quantity}{'' if one.channel is None else f', channel {one.channel}'}: {one.decision.value}"
            for one in event.results
            if one.decision in _WRONG
        ]
        if any(one.simulated for one in event.results) and not self._worked.simulated:
            with self._lock:  # the instruments have said so
                self._worked = replace(self._worked, simulated=True, bench=event.results[0].bench)
        self.tell(remaining_s=event.remaining_s, wrong=(*self.doing.wrong, *wrong)[:_MOST_WRONG])

    def _write_on(self) -> None:
        """Write until the session is over."""
        writer: BenchNowWriter | None = None
        has_begun = False
        while True:
            self._news.clear()
            ended = self._over.is_set()
            with self._lock:
                worked, doing = self._worked, self._doing
            try:
                writer = writer or self._make_writer(self._place)
                if has_begun:
                    writer.write(worked, doing, ended=ended)
                else:
                    writer.begin(worked, doing, ended=ended)
                    has_begun = True
            except Exception as problem:  # whatever it is, the run goes on
                self.problem = self.problem or str(problem)
            if ended:
                break
            if not self._over.wait(SOON_S):
                self._news.wait(max(0.0, self._beat_s - SOON_S))
        if writer is not None:
            writer.close()


def _of_started(event: RunStarted) -> dict[str, Any]:
    """Return what is said of a run as it begins; of the one before it nothing stays."""
    return {
        "phase": "measuring",
        "serial": event.serial,
        "model": event.model,
        "sequence": event.sequence,
        "run": event.run,
        "check": "",
        "number": 0,
        "checks": event.checks,
        "remaining_s": event.forecast_s,
        "safe": None,
        "safe_why": "",
        "feels": "",
        "verdict": "",
        "met": "",
        "wrong": (),
        "look_at": "",
        "notes": (),
    }


def _now() -> datetime:
    return datetime.now().astimezone()
