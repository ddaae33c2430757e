"""How often, and for how long, the simulated unit was keyed: read off what the witness is told, not off what the engine says."""

from __future__ import annotations

from sim.bench import SimulatedBench
from sim.wiring.witness import BenchState


class KeyLog:
    """Counts the key-downs of one simulated bench from now on. ``lengths_s``: how long each that has ended lasted, in order."""

    def __init__(self, simulation: SimulatedBench) -> None:
        self._clock = simulation.clock
        self._observe = simulation.witness.observe
        self._down_at_s: float | None = None
        self.lengths_s: list[float] = []
        simulation.witness.observe = self._seen  # type: ignore[method-assign]

    @property
    def times(self) -> int:
        """How many key-downs have ended."""
        return len(self.lengths_s)

    @property
    def keyed_s(self) -> float:
        """How long they lasted together, s."""
        return sum(self.lengths_s)

    def _seen(self, state: BenchState, at_s: float | None = None) -> None:
        self._observe(state, at_s)
        now_s = self._clock.now_s() if at_s is None else at_s
        if state.keyed and self._down_at_s is None:
            self._down_at_s = now_s
        elif not state.keyed and self._down_at_s is not None:
            self.lengths_s.append(now_s - self._down_at_s)
            self._down_at_s = None
