"""Instruments of a bench that are not reached over a VISA link: a person at a prompt, a radio on a line of text.

On a simulated bench a person works beside simulated instruments: what is answered "done" is set on them, and a prompt for a reading shows
their dial. Without a person (a dry run, or nobody to ask) the simulated instruments are used by themselves. A simulated text radio
answers on a pseudo-terminal, in the language of the shipped profile `hollinbrook-line`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

from drivers.clock import Clock
from drivers.faults import InstrumentFault, Refused
from drivers.operator.hand_key import HandKey
from drivers.operator.instruments import OperatorSettings
from drivers.operator.prompt import Person, Prompter
from drivers.registry import find_driver
from drivers.roles import Instrument, Limits, Radio
from drivers.text.line import make_line
from drivers.text.profile import ENDS, TextProfile
from drivers.trace import Trace
from sequencer.inputs.bench import BenchFile, PowerMeter, SignalGenerator, Supply
from sequencer.inputs.bench import Instrument as Entry
from sequencer.inputs.bench_drivers import ROLES_READ_KEYED

if TYPE_CHECKING:
    from sim.bench import SimulatedBench

UNLINKED = ("operator", "text")
"""What a bench file writes after `driver:` for these."""


class Unlinked:
    """Makes the unlinked instruments of one bench.

    ``make_linked`` makes the instrument that an entry's own profile describes, behind a link with the name it is given.
    """

    def __init__(
        self,
        bench: BenchFile,
        *,
        profiles: Mapping[str, Any],
        clock: Clock,
        trace: Trace,
        stack: ExitStack,
        instruments: Mapping[str, Instrument],
        person: Person | None,
        simulation: SimulatedBench | None,
        make_linked: Callable[[str, str], Any],
    ) -> None:
        self._bench = bench
        self._profiles = profiles
        self._clock = clock
        self._trace = trace
        self._stack = stack
        self._instruments = instruments
        self._person = person
        self._simulation = simulation
        self._make_linked = make_linked
        self._hand = self._hand_key()

    def make(self, name: str) -> Any:
        """Return the instrument ``name``, not yet open."""
        entry = self._bench.instruments[name]
        if entry.driver == "text":
            return self._text_radio(name, entry)
        if self._person is None and self._simulation is not None:
            return self._make_linked(name, name)
        return self._operator(name, entry)

    # -- a person -------------------------------------------------------------------------------------------------

    def _operator(self, name: str, entry: Entry) -> Any:
        prompter = Prompter(
            self._person or _NobodyThere(),
            name=name,
            address="a person at the prompt",
            clock=self._clock,
            trace=self._trace,
            keyed=self._is_keyed,
            keyed_s=entry.timeout_s,
        )
        driver: Any = find_driver("operator", entry.role)
        needs_hand = entry.role == "radio" or entry.role in ROLES_READ_KEYED
        return driver(
            prompter,
            _settings_of(entry),
            hand=self._hand if needs_hand else None,
            twin=self._twin(name) if self._simulation is not None else None,
        )

    def _twin(self, name: str) -> Any:
        twin = self._make_linked(name, f"{name} (simulated)")
        self._stack.callback(twin.close)
        twin.open()
        return twin

    def _hand_key(self) -> HandKey | None:
        radio = self._bench.with_role("radio")
        if radio is None or radio[1].driver != "operator":
            return None
        read = [entry for entry in self._bench.instruments.values() if entry.role in ROLES_READ_KEYED]
        return HandKey(
            max_key_time_s=self._bench.protection.max_key_time_s,
            in_one_go=all(entry.driver == "operator" for entry in read),
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

    # -- lines of text --------------------------------------------------------------------------------------------

    def _text_radio(self, name: str, entry: Entry) -> Any:
        profile = self._profiles[name]
        assert isinstance(profile, TextProfile)
        address, port = entry.address, None
        if self._simulation is not None:
            address, port = self._simulated_line(profile, name, entry)
        line = make_line(
            address, profile, name=name, open_timeout_s=min(entry.timeout_s, 1.0), serial_class=port
        )
        driver: Any = find_driver("text", entry.role)
        return driver(
            line,
            profile,
            self._clock,
            name=name,
            address=address,
            timeout_s=entry.timeout_s,
            trace=self._trace,
            ptt=entry.ptt,
            sense=entry.ptt_sense,
        )

    def _simulated_line(self, profile: TextProfile, name: str, entry: Entry) -> tuple[str, Any]:
        """Return the device of a simulated radio, and the port that stands in where its key hangs on a control line."""
        from sim.serve.text_radio import TextRadioLanguage, TextRadioOnPty, port_with_key_line

        assert self._simulation is not None
        try:
            radio = TextRadioOnPty(
                TextRadioLanguage(self._simulation.wiring), end=ENDS[profile.sends], echo=profile.echo
            )
        except (AttributeError, ImportError, OSError) as error:
            raise Refused(
                f"a text radio cannot be simulated here ({error})",
                instrument=name,
                address=entry.address,
                next_move="Pseudo-terminals are needed: Linux or macOS.",
            ) from error
        self._stack.enter_context(radio)
        wiring = self._simulation.wiring
        return radio.path, None if entry.ptt == "command" else port_with_key_line(wiring, entry.ptt)


class _NobodyThere:
    """Stands where no person was given: every question meets the end of input."""

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Answer nothing."""
        return None

    def stop(self, why: str) -> None:
        """Nobody to stop."""


def _settings_of(entry: Entry) -> OperatorSettings:
    limits = Limits()
    if isinstance(entry, SignalGenerator):
        limits = Limits(level_min_dbm=entry.level.min_dbm, level_max_dbm=entry.level.max_dbm)
    most: dict[str, float] = {}
    if isinstance(entry, PowerMeter) and entry.max_power_w is not None:
        most["most_w"] = entry.max_power_w
    if isinstance(entry, Supply):
        most["most_v"] = 1.1 * entry.max_voltage_v
    return OperatorSettings(
        dial=entry.dial,
        settle_s=entry.settle_s,
        limits=limits,
        s9_v=entry.s9_v,
        s_unit_v=entry.s_unit_v,
        **most,
    )
