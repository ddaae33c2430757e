"""What all simulated instruments share: their place on the bench, their hidden error, and the special numbers they answer.

Each instrument has an error of its own, drawn once from the bench's seed inside the half-width that its file states, which no one on
the bench is told. The half-widths are those of ordinary workshop instruments: common practice, no source.

Command words of all instruments: SCPI-1999 (from memory), as the shipped profiles use them. Choosing a range switches auto-ranging
off, as SCPI-1999 volume 2 says of RANGe:UPPer (from memory).

Not modelled, of any instrument: sensor drift with temperature, frequency response of any input, triggers other than immediate.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sim.scpi.device import ScpiDevice
from sim.wiring.wiring import Wiring

MAKER = "Hollinbrook"
OVER_RANGE, UNDER_RANGE, NO_MEASUREMENT = 9.9e37, -9.9e37, 9.91e37  # SCPI-1999 volume 1, 7.2.1


class BenchInstrument(ScpiDevice):
    """A simulated instrument that is wired to the bench."""

    def __init__(self, clock: Any, wiring: Wiring, rng: np.random.Generator) -> None:
        super().__init__(clock)
        maker, model, serial, firmware = self.identity
        self.identity = (
            maker,
            model,
            serial,
            f"{firmware} (simulated)",
        )  # also to who meets it over a socket
        self.wiring = wiring
        self.rng = rng
        self.movers: list[BenchInstrument] = []  # all on the bench whose output moves by itself

    def within(self, half_width: float) -> float:
        """Draw a fixed error inside a half-width."""
        return float(self.rng.uniform(-half_width, half_width))

    def look(self) -> None:
        """Bring everything that moves by itself up to now, before the bench is read."""
        for mover in self.movers:
            mover.catch_up()
        self.wiring.update()

    def catch_up(self) -> None:
        """Let what moves by itself have moved; a hook."""
