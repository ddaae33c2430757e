"""A simulated bench whose instruments are spoken to in SCPI by name, without any driver; answers are waited for in virtual time."""

from __future__ import annotations

import math

from sim.bench import SimulatedBench, Truth
from sim.scpi.device import NotYet

ROLES = (
    "signal_generator",
    "power_meter",
    "modulation_analyser",
    "audio_analyser",
    "voltmeter",
    "supply",
    "switch",
    "radio",
)
EXACT = Truth(
    path_db=0,
    level_db=0,
    frequency_ppm=0,
    power_percent=0,
    deviation_percent=0,
    sinad_db=0,
    voltage_percent=0,
)
"""A bench without the hidden errors of an FM bench."""


class SpokenBench:
    """Messages to the instruments of ``bench``, and their answers."""

    def __init__(self, bench: SimulatedBench) -> None:
        self.bench = bench
        self.clock = bench.clock

    def say(self, role: str, message: str) -> None:
        """Send a message that asks nothing."""
        self.bench.devices[role].input(message.encode())

    def raw(self, role: str, message: str) -> bytes:
        """Send a question and wait for its answer."""
        device = self.bench.devices[role]
        device.input(message.encode())
        while isinstance(answer := device.output(), NotYet):
            assert answer.ready_at_s < math.inf, f"{message!r} has no answer"
            self.clock.wait_s(max(0.0, answer.ready_at_s - self.clock.now_s()))
        return answer

    def ask(self, role: str, message: str) -> str:
        """Ask for a text."""
        return self.raw(role, message).decode().rstrip("\n")

    def number(self, role: str, message: str) -> float:
        """Ask for a number."""
        return float(self.ask(role, message))

    def error(self, role: str) -> str:
        """Take the next error."""
        return self.ask(role, ":SYST:ERR?")
