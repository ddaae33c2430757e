"""The simulated path switch: RF relays that join the unit to the generator or to load and meters, or generator and power meter.

Command words: SCPI-1999 (from memory). Not modelled: insertion loss of its own (it belongs to the paths) and wear.
"""

from __future__ import annotations

from typing import ClassVar

from sim.instruments.base import MAKER, BenchInstrument
from sim.scpi.device import Channels, ScpiError, command


class PathSwitch(BenchInstrument):
    """An RF switch: relay 1 joins the unit to the generator, relay 2 to load and meters, relay 3 generator and power meter; never two."""

    identity = (MAKER, "SW-2", "5002", "1.0")
    PLACES: ClassVar[dict[int, str]] = {1: "receive", 2: "transmit", 3: "check"}

    def on_reset(self) -> None:
        """Open all relays."""
        self.open_all()

    @command(":ROUTe:CLOSe", Channels(minimum=1, maximum=3))
    def close(self, channels: tuple[int, ...]) -> None:
        """Close one relay; -221 if another is closed."""
        self.look()
        wanted = {self.PLACES[channel] for channel in channels}
        # where it was sent, not where it stands: while a contact moves it stands nowhere
        if len(wanted | ({self.wiring.paths.commanded} - {"open"})) > 1:
            raise ScpiError(-221, "open the other relay first")
        self.wiring.connect(wanted.pop())

    @command(":ROUTe:CLOSe?", Channels(minimum=1, maximum=3))
    def is_closed(self, channels: tuple[int, ...]) -> str:
        """Answer 1 or 0 for each relay asked about."""
        self.look()
        paths = self.wiring.paths
        at = "open" if paths.moving else paths.position
        return ",".join(str(int(self.PLACES[channel] == at)) for channel in channels)

    @command(":ROUTe:OPEN", Channels(minimum=1, maximum=3))
    def open_some(self, channels: tuple[int, ...]) -> None:
        """Open the relays named."""
        self.look()
        if self.wiring.paths.commanded in {self.PLACES[channel] for channel in channels}:
            self.wiring.connect("open")

    @command(":ROUTe:OPEN:ALL")
    def open_all(self) -> None:
        """Open all relays."""
        self.look()
        self.wiring.connect("open")
