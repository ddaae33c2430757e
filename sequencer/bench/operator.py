"""Makes the instruments of a bench that a person sets or reads.

On a simulated bench a person works beside simulated instruments: what is answered "done" is set on them, and a prompt for a reading shows
their dial. Without a person (a dry run, or nobody to ask) the simulated instruments are used by themselves.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

from drivers.clock import Clock
from drivers.faults import InstrumentFault
from drivers.operator.gathered import Gathered
from drivers.operator.hand_key import HandKey
from drivers.operator.instruments import OperatorSettings
from drivers.operator.prompt import Person, Prompter
from drivers.registry import find_driver
from drivers.roles import Instrument, Radio
from drivers.trace import Trace
from sequencer.bench.limits import limits_of
from sequencer.bench.tape import Tape
from sequencer.bench.tape_links import twin_name
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.bench_parts.instrument_drivers import (
    ByHand,
    OperatorPowerMeter,
    OperatorSignalGenerator,
    OperatorVoltmeter,
)
from sequencer.inputs.bench_parts.instrument_roles import PowerMeter, Supply
from sequencer.inputs.bench_parts.instruments import ROLES_READ_KEYED

if TYPE_CHECKING:
    from sim.bench import SimulatedBench


class Operators:
    """Makes the instruments that a person works on one bench.

    ``make_linked`` makes the instrument that an entry's own profile describes, behind a link with the name it is given.
    """

    def __init__(
        self,
        bench: BenchFile,
        *,
        clock: Clock,
        trace: Trace,
        stack: ExitStack,
        instruments: Mapping[str, Instrument],
        person: Person | None,
        simulation: SimulatedBench | None,
        tape: Tape | None = None,
        make_linked: Callable[[str, str], Any],
    ) -> None:
        self._bench = bench
        self._clock = clock
        self._trace = trace
        self._stack = stack
        self._instruments = instruments
        self._person = person
        self._simulation = simulation
        self._tape = tape
        self._make_linked = make_linked
        self._hand = self._hand_key()
        self._gathered = Gathered()

    def make(self, name: str, entry: ByHand) -> Any:
        """Return the instrument ``name``, not yet open."""
        if self._is_linked(name):
            return self._make_linked(name, name)
        prompter = Prompter(
            self._person or _NobodyThere(),
            name=name,
            address="a person at the prompt",
            clock=self._clock,
            trace=self._trace,
            keyed=self._is_keyed,
            keyed_s=entry.timeout_s,
            gathered=self._gathered,
        )
        driver: Any = find_driver("operator", entry.role)
        needs_hand = entry.role == "radio" or entry.role in ROLES_READ_KEYED
        return driver(
            prompter,
            _settings_of(entry),
            hand=self._hand if needs_hand else None,
            twin=self._twin(name) if self._has_twin(name) else None,
        )

    def _is_linked(self, name: str) -> bool:
        """Say whether nobody is asked, and a simulated instrument answers by itself."""
        if self._tape is not None:
            return self._tape.is_known(name)
        return self._person is None and self._simulation is not None

    def _has_twin(self, name: str) -> bool:
        return self._simulation is not None or (
            self._tape is not None and self._tape.is_known(twin_name(name))
        )

    def _twin(self, name: str) -> Any:
        twin = self._make_linked(name, twin_name(name))
        self._stack.callback(twin.close)
        twin.open()
        return twin

    def _hand_key(self) -> HandKey | None:
        radio = self._bench.with_role("radio")
        if radio is None or not radio[1].manual:
            return None
        read = [entry for entry in self._bench.instruments.values() if entry.role in ROLES_READ_KEYED]
        return HandKey(
            max_key_time_s=self._bench.protection.max_key_time_s,
            in_one_go=any(entry.manual for entry in read),
        )

    def _is_keyed(self) -> bool:
        """Say whether the bench holds the unit keyed now, by the radio's own word; in doubt it does."""
        if self._hand is not None:
            return self._hand.held is True
        radio = next((one for one in self._instruments.values() if isinstance(one, Radio)), None)
        if radio is None:
            return False
        try:
            return radio.read_keyed()
        except InstrumentFault:
            return True


class _NobodyThere:
    """Stands where no person was given: every question meets the end of input."""

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Answer nothing."""
        return None

    def stop(self, why: str) -> None:
        """Nobody to stop."""


def _settings_of(entry: ByHand) -> OperatorSettings:
    told: dict[str, Any] = {"make": entry.make, "model": entry.model, "serial": entry.serial}
    if isinstance(entry, OperatorSignalGenerator | OperatorPowerMeter | OperatorVoltmeter):
        told["dial"] = entry.dial
    if isinstance(entry, OperatorVoltmeter):
        told |= {"s9_v": entry.s9_v, "s_unit_v": entry.s_unit_v}
    if isinstance(entry, PowerMeter) and entry.max_power_w is not None:
        told["most_w"] = entry.max_power_w
    if isinstance(entry, Supply):
        told["most_v"] = 1.1 * entry.max_voltage_v
    return OperatorSettings(settle_s=entry.settling_s, limits=limits_of(entry), **told)
