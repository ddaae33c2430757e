"""The receivers of one unit, by mode and by the weighting of whoever listens; each is made once."""

from __future__ import annotations

from sim.radio.am_receiver import EnvelopeReceiver
from sim.radio.fm_receiver import FmReceiver
from sim.radio.ssb_receiver import ProductReceiver
from sim.radio.unit import Specimen

Demodulator = FmReceiver | EnvelopeReceiver | ProductReceiver


class Demodulators:
    """All that one specimen can hear with."""

    def __init__(self, specimen: Specimen) -> None:
        self._specimen = specimen
        self._made: dict[tuple[str, str], Demodulator] = {}

    def of(self, mode: str, weighting: str = "flat") -> Demodulator:
        """Return the receiver of a mode; ValueError for a mode the specimen lacks or an unknown weighting."""
        found = self._made.get((mode, weighting))
        if found is None:
            found = self._made[mode, weighting] = self._make(mode, weighting)
        return found

    def _make(self, mode: str, weighting: str) -> Demodulator:
        specimen = self._specimen
        if mode == "FM":
            return FmReceiver(specimen.receiver, weighting)
        if mode == "AM" and specimen.am is not None:
            return EnvelopeReceiver(specimen.receiver, specimen.am.receiver, weighting)
        if mode in ("USB", "LSB", "CW") and specimen.ssb is not None:
            return ProductReceiver(specimen.receiver, specimen.ssb.receiver, mode, weighting)
        raise ValueError(f"mode {mode!r} refused; this unit has {', '.join(specimen.modes)}")
