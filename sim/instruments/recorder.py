"""Recordings as SCPI's TRACe subsystem has them: points and their distance, INITiate, a definite block of REAL,32.

Words: SENSe:SWEep:POINts, SENSe:SWEep:TINTerval, INITiate, TRACe[:DATA]?, FORMat[:DATA] REAL,32 and FORMat:BORDer
NORMal are SCPI-1999's (from memory). Departures: the trace names AUDio and IQ, and that they are there from the start
(the standard has TRACe:DEFine); IQ holds I and Q of each sample in turn.

PTT pressed or released while it records is in the recording of a baseband; all else is taken as it stood at the beginning.

Does not model: triggers, ASCii format, a memory that is kept over
*RST.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.instruments.base import BenchInstrument
from sim.scpi.device import Choice, Later, Number, ScpiError, command, setting
from sim.wiring.wiring import Wiring

NORMAL, SWAPPED = ">f4", "<f4"


class Recorder(BenchInstrument, ABC):
    """An instrument that records samples into named traces."""

    points = setting(
        "[:SENSe]:SWEep:POINts", Number(integer=True, minimum=16, maximum=1_000_000, default=4_800)
    )
    interval_s = setting(
        "[:SENSe]:SWEep:TINTerval", Number("s", minimum=5e-6, maximum=1e-3, default=1.0 / 48_000.0)
    )
    border = setting(":FORMat:BORDer", Choice("NORMal", "SWAPped", default="NORMal"))

    def __init__(self, clock: Any, wiring: Wiring, rng: np.random.Generator) -> None:
        super().__init__(clock, wiring, rng)
        self._traces: dict[str, NDArray[Any]] = {}
        self.begun_s = 0.0
        self._is_fresh = False
        self.recorded_hz = 0.0

    @abstractmethod
    def record(self, count: int, rate_hz: float) -> dict[str, NDArray[Any]]:
        """Return the traces of a recording that begins now, real or complex."""

    def as_it_went(self, traces: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
        """Return the traces of a recording that began at ``begun_s`` and is over, by what the bench did meanwhile; a hook.

        It is asked once the traces are read, so that the end of a recording is not told later for it.
        """
        return traces

    @command(":INITiate[:IMMediate]")
    def initiate(self) -> Later:
        """Record, which takes as long as it says."""
        self.look()
        self.begun_s, self._is_fresh = self.clock.now_s(), False
        self.recorded_hz = 1.0 / self.interval_s
        self._traces = self.record(self.points, self.recorded_hz)
        return Later(self.points * self.interval_s, self._over)

    def _over(self) -> None:
        self.look()
        self._is_fresh = True

    @command(":TRACe:CATalog?")
    def catalogue(self) -> str:
        """Name the traces that hold a recording."""
        return ",".join(f'"{name}"' for name in sorted(self._traces)) or '""'

    @command(":TRACe[:DATA]?", Choice("AUDio", "IQ"))
    def read_trace(self, name: str) -> bytes:
        """Answer a trace as a definite block; -230 where nothing was recorded."""
        if self._is_fresh:
            self._is_fresh = False
            self._traces = self.as_it_went(self._traces)
        samples = self._traces.get(name)
        if samples is None:
            raise ScpiError(-230, f"nothing is recorded in {name}; INITiate records")
        if np.iscomplexobj(samples):
            samples = np.column_stack((samples.real, samples.imag)).ravel()
        return samples.astype(NORMAL if self.border == "NORMal" else SWAPPED).tobytes()
