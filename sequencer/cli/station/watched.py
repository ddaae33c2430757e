"""Says in the store what a station shows, for a screen on the wall; the person who stands there is asked and answered as without it."""

from __future__ import annotations

from typing import Any

from typing_extensions import override

from sequencer.run.keeping.bench_now import BenchTeller
from sequencer.run.line.face import Face
from sequencer.run.line.scans import Scan
from sequencer.run.line.work import Arrival, Operator


class WatchedOperator(Operator):
    """An operator whose station others watch."""

    def __init__(self, operator: Operator, teller: BenchTeller) -> None:
        self._operator = operator
        self._teller = teller
        self._face: Face | None = None

    @override
    def show(self, face: Face) -> None:
        self._tell(face)
        self._operator.show(face)

    @override
    def next_arrival(self) -> Arrival | None:
        return self._operator.next_arrival()

    @override
    def choose(self, face: Face) -> str:
        self._tell(face)
        return self._operator.choose(face)

    @override
    def write(self, face: Face) -> str | None:
        self._tell(face)
        return self._operator.write(face)

    @override
    def kept(self) -> tuple[Scan, ...]:
        return self._operator.kept()

    def _tell(self, face: Face) -> None:
        before, self._face = self._face, face
        if before is not None and before.phase == face.phase == "measuring":
            return  # what it is at the run tells by itself
        self._teller.tell(**_told(face))


def _told(face: Face) -> dict[str, Any]:
    """Return what a face says, as fields of `sequencer.results.bench_now.Doing`."""
    return {
        "phase": "asking" if face.phase == "typing" else face.phase,
        "serial": face.serial,
        "model": face.model,
        "verdict": "" if face.verdict is None else face.verdict.value,
        "met": face.met,
        "wrong": face.wrong,
        "look_at": face.look_at,
        "safe": face.safe,
        "safe_why": f"{face.chamber} {face.safe_why}".strip(),
        "feels": face.feels,
        "counts": str(face.counts),
        "notes": face.notes,
        "question": () if face.question is None else face.question.text,
    }
