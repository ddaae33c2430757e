"""Every role's driver on a command profile, each on its simulated instrument, for the tests of the drivers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from drivers.link.link import Link
from drivers.link.visa import open_library
from drivers.profiled.commands import ROLE_COMMANDS
from drivers.profiled.profile import Profile
from drivers.registry import find_driver
from drivers.roles import Limits
from drivers.trace import Direction, Exchange
from sequencer.files.dataclass_model import read_dataclass
from sequencer.files.shipped import find_file
from sim.bench import Place, SimulatedBench, Truth
from sim.radio.presets import Preset
from sim.radio.unit import SignalMeter, Specimen
from sim.scpi.faults import Fault, FaultKind
from sim.wiring.witness import WitnessLimits
from tests.support.spoken_bench import EXACT

ROLES = tuple(ROLE_COMMANDS)
CHANNEL_20_HZ = 27_205_000.0  # CEPT channel 20
SOUND = Specimen(
    serial="M40-0099",
    meter=SignalMeter(attack_s=1e-3, decay_s=1e-3),
    presets={"tx_bias": Preset(acts_on="bias", kind="stored", highest=254)},
)


def shipped_profile(role: str) -> Profile:
    """The shipped profile of a role, read by the engine's own file reader."""
    return read_dataclass(find_file("scpi-1999", "profile", within=role), Profile).model


def changed(profile: Profile, **commands: Mapping[str, Any] | None) -> Profile:
    """A copy of a profile with some commands' fields changed; None takes a command out."""
    kept = dict(profile.commands)
    for name, fields in commands.items():
        if fields is None:
            del kept[name]
        else:
            kept[name] = replace(kept[name], **fields)
    return replace(profile, commands=kept)


class ProfiledBench:
    """One simulated bench in virtual time, its drivers opened when they are first asked for; a context manager."""

    def __init__(
        self,
        *,
        profiles: Mapping[str, Profile] | None = None,
        limits: Limits | None = None,
        settle_s: float = 0.0,
        specimen: Specimen | None = None,
        truth: Truth | None = EXACT,
        seed: int = 1,
        kind: str = "SOCKET",
    ) -> None:
        ends = {"SOCKET": "{}::SOCKET", "INSTR": "inst{}::INSTR"}[kind]
        self.addresses = {
            role: f"TCPIP0::192.0.2.{number}::{ends.format(number)}" for number, role in enumerate(ROLES, 11)
        }
        self.simulation = SimulatedBench(
            specimen or SOUND,
            {role: Place(role=role, address=address) for role, address in self.addresses.items()},
            receive_loss_db={27e6: 0.4},
            transmit_loss_db={27e6: 30.0},
            limits=WitnessLimits(),
            truth=truth,
            seed=seed,
        )
        self.clock = self.simulation.clock
        self.trace: list[Exchange] = []
        self._profiles = dict(profiles or {})
        self._limits = limits
        self._settle_s = settle_s
        self._library = open_library(self.simulation.library())
        self._drivers: dict[str, Any] = {}

    def __enter__(self) -> ProfiledBench:
        return self

    def __exit__(self, *_: object) -> None:
        self._library.close()

    def driver(self, role: str) -> Any:
        """The driver of a role, open."""
        if role not in self._drivers:
            profile = self._profiles.get(role) or shipped_profile(role)
            link = Link(
                self._library,
                name=f"the {role}",
                address=self.addresses[role],
                clock=self.clock,
                trace=self.trace.append,
            )
            kind: Any = find_driver("profile", role)
            found = kind(link, profile, self.clock, settle_s=self._settle_s, limits=self._limits)
            found.open()
            self._drivers[role] = found
        return self._drivers[role]

    def device(self, role: str) -> Any:
        """The simulated instrument of a role."""
        return self.simulation.devices[self.addresses[role]]

    def spoil(self, role: str, kind: FaultKind, match: str, argument: Any = None, **how: Any) -> None:
        """Inject a fault into one instrument."""
        self.device(role).faults.add(Fault(kind=kind, match=match, argument=argument, **how))

    def sent(self, role: str) -> list[str]:
        """Every message that went to one instrument."""
        return [
            each.content.decode("ascii").rstrip("\n")
            for each in self.trace
            if each.direction is Direction.SENT and each.instrument == f"the {role}"
        ]

    def receive(self, level_dbm: float = -73.0) -> None:
        """Feed the unit and give it a carrier with FM on channel 20."""
        self._prepare("receive")
        generator = self.driver("signal_generator")
        generator.configure_rf(CHANNEL_20_HZ, level_dbm)
        generator.configure_fm(1200.0, 1000.0)
        generator.configure_output_enabled(True)
        generator.wait_until_settled(1.0)
        self.clock.wait_s(1.0)

    def transmit(self) -> None:
        """Feed the unit and key it on channel 20 into the load, with a tone at the microphone."""
        self._prepare("transmit")
        self.driver("modulation_analyser").tune_hz(CHANNEL_20_HZ)
        audio = self.driver("audio_analyser")
        audio.configure_source(1000.0, 0.010)
        audio.configure_source_enabled(True)
        self.driver("radio").key()
        self.clock.wait_s(0.2)

    def _prepare(self, path: str) -> None:
        supply, radio = self.driver("supply"), self.driver("radio")
        supply.configure_voltage(13.2, 6.0)
        supply.configure_output_enabled(True)
        radio.unkey()
        radio.set_channel(20)
        self.driver("switch").connect(path)
        self.clock.wait_s(0.5)
