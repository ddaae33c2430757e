"""A simulated bench with two generators around a specimen of the shelf, its instruments spoken to in SCPI without any driver."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from sequencer.files.dataclass_model import read_dataclass
from sim.bench import Place, SimulatedBench
from sim.radio.unit import Specimen
from sim.wiring.witness import WitnessLimits
from tests.support.spoken_bench import EXACT, ROLES, SpokenBench

SHELF = Path(__file__).parents[2] / "sim" / "units"
NAMES = ("interferer", *ROLES)  # first on purpose: its name, not its place, makes it the second generator
ALL_EXACT = replace(EXACT, depth_percent=0, selective_db=0)
SUPPLY_V = {"M40": 13.2, "MX40": 13.2, "H10": 13.8, "V5": 7.4}


def specimen(serial: str) -> Specimen:
    """Return a specimen from the shelf."""
    return read_dataclass(SHELF / f"{serial.lower()}.yaml", Specimen).model


class MultimodeDesk(SpokenBench):
    """The bench; knobs confirmed, supply on, 30 dB in the transmit path, none in the receive path."""

    def __init__(self, unit: str | Specimen, mode: str, channel: int = 20) -> None:
        self.specimen = specimen(unit) if isinstance(unit, str) else unit
        bench = SimulatedBench(
            self.specimen,
            {
                name: Place(role="signal_generator" if name == "interferer" else name, address=name)
                for name in NAMES
            },
            receive_loss_db={27e6: 0.0},
            transmit_loss_db={27e6: 30.0},
            limits=WitnessLimits(),
            truth=ALL_EXACT,
        )
        super().__init__(bench)
        self.bench.confirm_knobs()
        volts = self.specimen.transmitter.nominal_supply_v
        self.say("supply", f":CURR 6;:VOLT {volts};:OUTP ON")
        self.say("radio", f":CONT:CHAN {channel};:CONT:MODE {mode}")
        self.clock.wait_s(1_000.0)
        self.dial_hz = self.number("radio", ":CONT:FREQ?")

    def receive(self, level_dbm: float, offset_hz: float = 0.0, modulation: str = "") -> None:
        """Route the unit to the generator and let it hear a carrier beside its dial."""
        self.say("switch", ":ROUT:OPEN:ALL;:ROUT:CLOS (@1)")
        frequency_hz = self.dial_hz + offset_hz
        message = f":FREQ {frequency_hz};:POW {level_dbm};:OUTP:MOD 0;:OUTP 1;{modulation}"
        self.say("signal_generator", message.rstrip(";"))
        self.clock.wait_s(10.0)

    def audio(self, function: str, seconds: float = 5.0) -> float:
        """Read the audio analyser."""
        return self.number("audio_analyser", f':SENS:SWE:TIME {seconds};:SENS:FUNC "{function}";:READ?')

    def transmit(self, *tones: tuple[float, float]) -> None:
        """Route the unit to the load and key it with (frequency, level) tones, afresh."""
        self.say("radio", ":CONT:KEY:STAT 0")
        self.say("switch", ":ROUT:OPEN:ALL;:ROUT:CLOS (@2)")
        for source, (tone_hz, level_v) in enumerate((*tones, *((1_000.0, 0.0),) * (2 - len(tones))), start=1):
            self.say("audio_analyser", f":SOUR{source}:FREQ {tone_hz};:SOUR{source}:VOLT {level_v}")
        self.say("audio_analyser", ":OUTP 1")
        self.clock.wait_s(60.0)
        self.say("radio", ":CONT:KEY:STAT 1")
        self.say("power_meter", ":UNIT:POW DBM")
        self.say("modulation_analyser", f":SENS:FREQ {self.dial_hz}")
        self.clock.wait_s(0.2)

    def analyse(self, function: str, before: str = "") -> float:
        """Read the modulation analyser."""
        return self.number("modulation_analyser", f'{before}:SENS:FUNC "{function}";:READ?')

    def samples(self, role: str, trace: str, points: int, rate_hz: float) -> np.ndarray:
        """Record and fetch samples, complex for IQ."""
        message = f":SENS:SWE:POIN {points};:SENS:SWE:TINT {1 / rate_hz:.12E};:INIT;:TRAC? {trace}"
        answer = self.raw(role, message)
        digits = int(answer[1:2])
        length = int(answer[2 : 2 + digits])
        found = np.frombuffer(answer[2 + digits : 2 + digits + length], dtype=">f4").astype(float)
        return found[::2] + 1j * found[1::2] if trace == "IQ" else found
