"""A whole simulated bench: one unit, its cables, one simulated instrument behind every address, the witness, one clock, one seed.

``connected`` counts how often the unit was connected to this bench: another number with the same seed is the same bench with the same
hidden errors, another connection, and other noise. `change_unit` puts another unit in the place of the one that lies there.

What the bench file states (losses, accuracies) and what is true differ a little, by errors drawn from the seed inside the stated
half-widths; no instrument is told. Not modelled: two units on one bench, an operator at the knobs beyond "confirm".
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import numpy as np

from sim.clock import VirtualClock
from sim.frozen import dataclass
from sim.instruments.audio_analyser import AudioAnalyser
from sim.instruments.base import BenchInstrument
from sim.instruments.modulation_analyser import ModulationAnalyser
from sim.instruments.path_switch import PathSwitch
from sim.instruments.power_meter import PowerMeter
from sim.instruments.radio_box import RelayBox
from sim.instruments.signal_generator import SignalGenerator
from sim.instruments.supply import DcSupply
from sim.instruments.voltmeter import DcVoltmeter
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.unit import Knobs, Specimen
from sim.rf_signal import SourceNoise
from sim.serve.visa import SimulatedLibrary, make_library
from sim.wiring.paths import PathLosses, Paths
from sim.wiring.wiring import Wiring
from sim.wiring.witness import Hazard, Witness, WitnessLimits

SQUELCH_KNOB = {"open": 0.0, "just closed": 0.06, "tight": 1.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One instrument of the bench: its role's name, the address (VISA resource) it answers at, and of a generator its noise."""

    role: str
    address: str
    noise: SourceNoise | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """Half-widths inside which the bench's hidden errors are drawn."""

    path_db: float = 0.05
    level_db: float = 0.25
    frequency_ppm: float = 0.05
    power_percent: float = 1.5
    deviation_percent: float = 0.5
    depth_percent: float = 1.0
    selective_db: float = 0.3
    sinad_db: float = 0.25
    voltage_percent: float = 0.25
    spectrum_level_db: float = 0.4
    spectrum_response_db: float = 0.4
    spectrum_scale_db: float = 0.15
    spectrum_bandwidth_percent: float = 3.0
    joint_db: float = 0.06  # connectors and mismatch of one connection that a person makes
    connection_db: float = (
        0.03  # standard deviation of making the unit's own connection anew (common practice, no source)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """What has changed since the bench was set up, dB: what cables lose more, by how much generator and power meter are high (above 0)."""

    generator_cable_db: float = 0.0
    meter_cable_db: float = 0.0
    generator_db: float = 0.0
    power_meter_db: float = 0.0


class SimulatedBench:
    """One live simulated bench."""

    def __init__(
        self,
        specimen: Specimen,
        places: Mapping[str, Place],
        *,
        receive_loss_db: Mapping[float, float],
        transmit_loss_db: Mapping[float, float],
        check_loss_db: Mapping[float, float] | None = None,
        notch_loss_db: Mapping[float, float] | None = None,
        wear: Wear | None = None,
        audio_joined: bool = False,
        limits: WitnessLimits,
        truth: Truth | None = None,
        seed: int = 1,
        connected: int = 1,
        clock: Any = None,
        lock: Any = None,
    ) -> None:
        self.clock = clock if clock is not None else VirtualClock()
        self._rng = np.random.default_rng(seed)
        self._truth = truth or Truth()
        self._wear = wear or Wear()
        errors = self._rng.uniform(-1.0, 1.0, size=2) * self._truth.path_db
        losses = PathLosses(
            receive_db=receive_loss_db,
            transmit_db=transmit_loss_db,
            receive_error_db=float(errors[0]),
            transmit_error_db=float(errors[1]),
            check_db=check_loss_db or {1e6: 0.0},
            # drawn by itself, so that a bench without such a path has the same errors as ever
            check_error_db=float(np.random.default_rng((seed, 0)).uniform(-1.0, 1.0)) * self._truth.path_db,
            notch_db=notch_loss_db,
            notch_error_db=float(np.random.default_rng((seed, 7)).uniform(-1.0, 1.0)) * self._truth.path_db,
            generator_cable_db=self._wear.generator_cable_db,
            meter_cable_db=self._wear.meter_cable_db,
        )
        self.unit = SimulatedUnit(specimen, self.clock, self._rng.spawn(1)[0])
        self.witness = Witness(limits, self.clock)
        self.wiring = Wiring(self.unit, Paths(losses, self.clock), self.witness, self.clock)
        self.wiring.audio_joined = audio_joined
        self.devices: dict[str, BenchInstrument] = {}
        generators: list[SignalGenerator] = []
        # a generator named interferer is the second one wherever its entry stands
        for name, place in sorted(places.items(), key=lambda entry: entry[0] == "interferer"):
            device = self._make(place.role, second=bool(generators) or name == "interferer")
            self.devices[place.address] = device
            if isinstance(device, SignalGenerator):
                device.noise = place.noise
                generators.append(device)
        supplies = [device for device in self.devices.values() if isinstance(device, DcSupply)]
        for device in self.devices.values():
            device.movers = [*generators, *supplies]
        self._connections = np.random.default_rng((seed, connected))
        self.wiring.make_unit_connection(self._draw_connection_db())
        self._fed_by_person_v = 0.0 if supplies else specimen.transmitter.nominal_supply_v
        if not supplies:
            self.wiring.set_supply_v(specimen.transmitter.nominal_supply_v)
        self._lock = lock
        if connected != 1:
            self._draw_anew(seed, connected)

    @property
    def hazards(self) -> tuple[Hazard, ...]:
        """Everything the witness recorded up to now."""
        for device in self.devices.values():
            device.look()
        return self.witness.hazards

    def library(self) -> SimulatedLibrary:
        """Return the bench as a VISA library, for ``pyvisa.ResourceManager(library)``."""
        return make_library(self.devices, self.clock, lock=self._lock)

    def confirm_knobs(
        self, *, squelch: Literal["open", "just closed", "tight"] = "open", volume: float = 0.5
    ) -> None:
        """Do what the operator does before confirming: set the unit's knobs right, or where a check wants them.

        ``squelch`` just closed is where noise alone is muted; ``volume`` is 0 to 1, half gives the stated voltage.
        """
        self.wiring.update()
        self.unit.confirm_knobs()
        self.unit.set_knobs(Knobs(squelch=SQUELCH_KNOB[squelch], volume=volume))

    def turn_preset(self, name: str, turns: float) -> None:
        """Do what a person with a screwdriver does: turn a trimmer by so many turns, clockwise above 0. KeyError where there is none."""
        for device in self.devices.values():
            device.look()
        self.wiring.turn_preset(name, turns)

    def make_connection_anew(self) -> None:
        """Undo and make the unit's own connection, which serves both paths: what it loses this time is drawn anew.

        A supply that is not on the bench is the person's own, who switches it off meanwhile.
        """
        for device in self.devices.values():
            device.look()
        if self._fed_by_person_v:
            self.wiring.set_supply_v(None)
        self.wiring.make_unit_connection(self._draw_connection_db())
        if self._fed_by_person_v:
            self.wiring.set_supply_v(self._fed_by_person_v)

    def change_unit(self, specimen: Specimen) -> None:
        """Take the unit off the bench and connect another one, which begins as it was built: without supply where the bench feeds it.

        A supply that is not on the bench is the person's own, who switches it off meanwhile. The witness sees what else is on.
        """
        for device in self.devices.values():
            device.look()
        if self._fed_by_person_v:
            self.wiring.set_supply_v(None)
        self.unit = SimulatedUnit(specimen, self.clock, self._rng.spawn(1)[0])
        self.wiring.change_unit(self.unit, self._draw_connection_db())
        if self._fed_by_person_v:
            self._fed_by_person_v = specimen.transmitter.nominal_supply_v
            self.wiring.set_supply_v(self._fed_by_person_v)

    def _draw_connection_db(self) -> float:
        return self._truth.connection_db * float(self._connections.standard_normal())

    def _draw_anew(self, seed: int, connected: int) -> None:
        """Give instruments and unit other noise; their hidden errors were drawn and stay."""
        self.unit.draw_from(np.random.default_rng((seed, connected, 1)))
        for number, device in enumerate(self.devices.values(), start=2):
            device.rng = np.random.default_rng((seed, connected, number))

    def connect_by_hand(self, connection: str) -> None:
        """Do what the person does who moves cables before confirming: see `sim.wiring.paths.BY_HAND`."""
        for device in self.devices.values():
            device.look()
        self.wiring.connect_by_hand(connection, float(self._rng.uniform(-1.0, 1.0)) * self._truth.joint_db)

    def _make(self, role: str, *, second: bool) -> BenchInstrument:
        truth = self._truth
        common: tuple[Any, Wiring, np.random.Generator] = (self.clock, self.wiring, self._rng.spawn(1)[0])
        match role:
            case "signal_generator":
                apply = self.wiring.set_interferer if second else self.wiring.set_generator
                made = SignalGenerator(
                    *common,
                    apply,
                    serial="2202" if second else "2201",
                    level_error_db=truth.level_db,
                    frequency_error_ppm=truth.frequency_ppm,
                )
                made.worn_db = 0.0 if second else self._wear.generator_db
                return made
            case "power_meter":
                meter = PowerMeter(*common, power_error_percent=truth.power_percent)
                meter.worn_db = self._wear.power_meter_db
                return meter
            case "modulation_analyser":
                return ModulationAnalyser(
                    *common,
                    deviation_error_percent=truth.deviation_percent,
                    frequency_error_ppm=truth.frequency_ppm,
                    depth_error_percent=truth.depth_percent,
                    level_error_db=truth.selective_db,
                )
            case "audio_analyser":
                return AudioAnalyser(
                    *common, sinad_error_db=truth.sinad_db, level_error_percent=truth.voltage_percent
                )
            case "voltmeter":
                return DcVoltmeter(*common, error_percent=truth.voltage_percent)
            case "supply":
                return DcSupply(*common)
            case "switch":
                return PathSwitch(*common)
            case "radio":
                return RelayBox(*common)
            case "chamber":
                from sim.instruments.chamber import ClimaticChamber  # few benches have one

                return ClimaticChamber(*common)
            case "spectrum_analyser":
                from sim.instruments.spectrum_analyser import SpectrumAnalyser  # few benches have one

                return SpectrumAnalyser(
                    *common,
                    level_error_db=truth.spectrum_level_db,
                    response_error_db=truth.spectrum_response_db,
                    scale_error_db=truth.spectrum_scale_db,
                    bandwidth_error_percent=truth.spectrum_bandwidth_percent,
                )
        raise ValueError(f"there is no simulated instrument for the role {role!r}")
