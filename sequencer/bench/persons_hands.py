"""What a person at the bench does with their hands, done on a simulated bench; on a real one there is somebody to do it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Literal

from drivers.operator.instruments import Operated
from drivers.roles import Instrument
from sequencer.bench.parts import BenchParts
from sequencer.inputs.bench import BenchFile
from sequencer.safety.loss import HandPath
from sequencer.safety.remembered.cables import Connection


class PersonsHands:
    """A bench with somebody at it."""

    parts: BenchParts
    bench: BenchFile
    instruments: dict[str, Instrument]

    def glance(self, role: str) -> str:
        """Return what the simulated dial of a person's instrument in ``role`` shows now; empty where a real one does."""
        named = self.bench.with_role(role)
        dial = self.instruments.get(named[0]) if named is not None else None
        return dial.glance() if isinstance(dial, Operated) else ""

    def find_turner(self, preset: str) -> Callable[[float], None] | None:
        """Return what turns a simulated trimmer by a share of a turn; None on a real bench, where a person has a screwdriver.

        A trimmer that the simulated unit has not turns nothing.
        """
        simulation = self.parts.simulation
        if simulation is None:
            return None
        trimmer = simulation.unit.specimen.presets.get(preset)
        if trimmer is None or trimmer.kind != "trimmer":
            return lambda turns: None
        return partial(simulation.turn_preset, preset)

    def confirm_knobs(self, *, squelch: Literal["open", "just closed"] = "open") -> None:
        """Do on a simulated bench what a person who confirms has done on a real one: set the squelch so, and all other knobs right."""
        if self.parts.simulation is not None:
            self.parts.simulation.confirm_knobs(squelch=squelch)

    def confirm_connection(self, path: HandPath, connection: Connection) -> None:
        """Connect a simulated bench as the person who confirms a connection has connected a real one."""
        if self.parts.simulation is not None:
            self.parts.simulation.connect_by_hand(path if connection == "through" else connection)

    def confirm_connection_made_anew(self) -> None:
        """Undo and make the unit's connection of a simulated bench as the person who confirms it has done on a real one."""
        if self.parts.simulation is not None:
            self.parts.simulation.make_connection_anew()
