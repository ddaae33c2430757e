"""What an open bench is made from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from drivers.clock import Clock, RealClock
from drivers.operator.prompt import Person
from sequencer.bench.tape import Tape
from sequencer.frozen import dataclass
from sequencer.inputs.bench import BenchFile
from sequencer.safety.proofs.standstill import Standstill
from sequencer.safety.remembered.announced import Announce, to_nobody

if TYPE_CHECKING:
    from sim.bench import SimulatedBench


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchParts:
    """What an open bench is made from: its file, its profiles by instrument name, and the simulation if it is simulated.

    ``tape`` is a stored trace that answers in place of all that.
    ``announce`` is told what is about to be done to the bench. ``standstill`` sees that the program stood still; a bench of real
    instruments has one of its own.
    """

    bench: BenchFile
    profiles: Mapping[str, Any]
    simulation: SimulatedBench | None = None
    person: Person | None = None
    serial: str = ""
    announce: Announce = to_nobody
    tape: Tape | None = None
    standstill: Standstill | None = None

    @property
    def hazards_seen(self) -> int:
        """How many hazards the witness of a simulated bench has seen so far; 0 on a real one."""
        return 0 if self.simulation is None else len(self.simulation.hazards)

    @property
    def is_real(self) -> bool:
        """Whether there are instruments on it, which no other process may drive."""
        return self.simulation is None and self.tape is None

    @property
    def clock(self) -> Clock:
        """What the bench waits by."""
        if self.tape is not None:
            return self.tape
        return self.simulation.clock if self.simulation is not None else RealClock()
