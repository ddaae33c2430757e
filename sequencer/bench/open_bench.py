"""Opens a bench: its VISA library or its simulation, one link and one driver for each instrument, and the safe sides."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import ExitStack, suppress
from functools import partial
from types import TracebackType
from typing import Any, Self

from drivers.changes import Changes
from drivers.faults import InstrumentFault, Refused
from drivers.link.link import Link
from drivers.link.visa import open_library
from drivers.profiled.base import ProfiledInstrument
from drivers.registry import find_driver
from drivers.roles import Identity, Instrument
from drivers.trace import Exchange
from sequencer.bench.identity import confirm_identity
from sequencer.bench.limits import bounds_s, chamber_rules, limits_of, max_supply_v, supply_accuracy_percent
from sequencer.bench.locks import (
    BenchBusy,
    HeldLock,
    cables_mark,
    confirm_held,
    key_mark,
    lock_addresses,
)
from sequencer.bench.operator import Operators
from sequencer.bench.parts import BenchParts
from sequencer.bench.persons_hands import PersonsHands
from sequencer.bench.tape_links import TapedLibrary, names_at
from sequencer.bench.text_radio import make_text_radio
from sequencer.bench.unanswered import send_unanswered
from sequencer.bench.watchdog import make_watchdog, unproved_line
from sequencer.inputs.bench import INTERFERER, longest_release_s, max_meter_dbm, open_timeout_s
from sequencer.inputs.bench_parts.instrument_drivers import ByHand, TextRadio
from sequencer.inputs.bench_parts.instrument_roles import Instrument as Entry
from sequencer.safety.bench import SafeBench
from sequencer.safety.control.key import Ratings
from sequencer.safety.control.tallied import TalliedClock
from sequencer.safety.ending.way_out import PATIENCE_S
from sequencer.safety.proofs.standstill import Standstill, WatchedClock
from sequencer.safety.remembered.announced import Announce, Announced, Announcer
from sequencer.safety.remembered.cables import Cables
from sequencer.safety.remembered.key_memory import KeyMemory
from sequencer.safety.state import SafeState
from sequencer.safety.watchdog.ways import Tried
from sequencer.units.convert import dbm_from_w

__all__ = ["BenchParts", "BenchUnsafe", "OpenBench"]

# The key comes first: whatever a crashed run left keyed is released before anything else is touched. The supply comes third, to be
# at hand if the key stays down.
_OPENING_ORDER = ("radio", "signal_generator", "supply")
# What each role's profile calls that which must be off.
_OFF = {"radio": "key", "signal_generator": "output", "supply": "output", "chamber": "output"}


class BenchUnsafe(Exception):
    """The bench opened and could not be confirmed safe."""


class OpenBench(PersonsHands):
    """A bench whose instruments are open and whose state is safe. A context manager; leaving it makes the bench safe again.

    Entering raises `BenchBusy`, or an `InstrumentFault` if an instrument cannot be opened.
    """

    def __init__(self, parts: BenchParts) -> None:
        self.parts = parts
        self.bench = parts.bench
        self.simulated = parts.simulation is not None
        self.standstill = parts.standstill or (Standstill() if parts.is_real else None)
        self.clock = parts.clock
        if self.standstill is not None:
            self.clock = WatchedClock(self.clock, self.standstill)
        self.tally = TalliedClock(self.clock)
        self.identities: dict[str, Identity] = {}
        self.instruments: dict[str, Instrument] = {}
        self.safe_state: SafeState | None = None
        self._said: list[Exchange] = []
        self._changes = Changes()
        self._stack = ExitStack()
        self._touched = False
        self._key_line_fault: InstrumentFault | None = None
        self._library: Any = None
        # The instruments of a simulation in this process's memory end with it.
        self._watchdog = (
            make_watchdog(parts.bench, parts.profiles, serial=parts.serial) if parts.is_real else None
        )
        self._proof_told = False
        self._announce = Announcer(parts.announce)
        self._is_prepared = False
        self._locks: tuple[HeldLock, ...] = ()
        self.safe = self._make_safe_bench(self.instruments)
        self._operators = Operators(
            parts.bench,
            clock=self.clock,
            trace=self._keep_change,
            stack=self._stack,
            instruments=self.instruments,
            person=parts.person,
            simulation=parts.simulation,
            tape=parts.tape,
            make_linked=self._make_linked,
        )

    def open(self, again: Callable[[InstrumentFault], bool] = lambda fault: False) -> None:
        """Lock the bench, open every instrument, the key line first, and make the bench safe.

        ``again`` is told of an instrument that could not be opened, and says whether it is tried once more: each time leaves it reset.
        A bench that is open already is made safe once more: PTT and generators are read back, and no instrument is reset.
        """
        if self._is_prepared:
            if not (state := self.make_safe()).confirmed:
                raise BenchUnsafe(state.last_line())
            return
        self.prepare()
        for name in sorted(self.bench.instruments, key=self._opening_rank):
            self._open_patiently(name, again)
        self.prove_watchdog()
        if not (state := self.make_safe()).confirmed:
            raise BenchUnsafe(state.last_line())

    def _open_patiently(self, name: str, again: Callable[[InstrumentFault], bool]) -> None:
        while name not in self.instruments:
            try:
                self.open_one(name)
            except InstrumentFault as fault:
                if not again(fault):
                    raise
                self._key_line_fault = None

    def make_safe(
        self, *, last: bool = False, patience_s: float = PATIENCE_S, listen: bool = False
    ) -> SafeState:
        """Make the bench safe; what is needed for that and is not open, because opening failed or was cut short, is tried again.

        ``last`` is for the way out: the supply goes off too; with ``listen`` the unit is heard to fall silent where it can be.
        """
        if not self._touched:
            return SafeState(touched=False)
        return self.safe.make_safe(last=last, patience_s=patience_s, listen=listen)

    def _open_again(self, role: str) -> None:
        for name in sorted(self.bench.instruments, key=self._opening_rank):
            if self.bench.instruments[name].role == role and name not in self.instruments:
                with suppress(Exception):
                    self._open(name)

    @property
    def is_sound(self) -> bool:
        """Say whether it can be used for another run: all of it is open, and nothing was seen for which PTT is not pressed any more."""
        all_open = self.safe_state is None and self.instruments.keys() >= self.bench.instruments.keys()
        return all_open and not self.safe.keys_no_more and not self.safe.supply_cut

    def tell(self, announce: Announce) -> None:
        """Tell ``announce`` from now on what is about to be done to the bench."""
        self._announce.to = announce

    def change_unit(self, serial: str) -> None:
        """Take it that unit ``serial`` lies on the bench from now on. To be called once the bench was made safe, supply and all."""
        self.safe.change_unit(serial)
        if self._watchdog is not None:
            self._watchdog.change_unit(serial)

    def prepare(self) -> None:
        """Lock the bench, start its watchdog and open its VISA library; no instrument hears of it yet."""
        self._is_prepared = True
        if self.parts.is_real:
            self._locks = lock_addresses(self.bench, self._stack)
            if self._watchdog is not None:
                self._watchdog.start()
                self._stack.callback(self._watchdog.close)
            try:
                self.safe.cables.recall()
                self.safe.key_memory.recall()
            except OSError as error:
                raise BenchBusy(f"how the bench was left cannot be read: {error}") from error
        if self.parts.tape is not None:
            self._library = TapedLibrary(self.parts.tape, names_at(self.bench))
            return
        visa: Any = self.parts.simulation.library() if self.parts.simulation is not None else self.bench.visa
        self._library = self._stack.enter_context(open_library(visa))

    def prove_watchdog(self) -> None:
        """Have the watchdog try which instruments answer it beside this program; nothing waits for it."""
        if self._watchdog is not None:
            self._watchdog.prove()

    def watchdog_news(self) -> str:
        """Return once, when it is there, what a person must know of `prove_watchdog`: that nothing answered. It is put down in any case."""
        if self._watchdog is None or self._proof_told or (proofs := self._watchdog.proofs(0.0)) is None:
            return ""
        self._proof_told = True
        said = "; ".join(one.said for one in proofs)
        self._announce(Announced(what="watchdog", begins=False, facts={"said": said}))
        if not proofs or any(
            one.confirmed for one in proofs
        ):  # of none that is tried it is said before the run
            return ""
        return unproved_line(self._watchdog.ways, said)

    def watchdog_proofs(self) -> tuple[Tried, ...]:
        """Return what came of `prove_watchdog`, once it is there; empty without a watchdog."""
        return (self._watchdog.proofs() or ()) if self._watchdog is not None else ()

    def __enter__(self) -> Self:
        try:
            self.open()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def is_touched(self) -> bool:
        """Say whether any instrument may have been spoken to, so that its state is ours to answer for."""
        return self._touched

    def close(self, known: SafeState | None = None) -> SafeState:
        """Make the bench safe (unless it is ``known`` how that went) and let go of it. May be called again."""
        if self.safe_state is None:
            self.safe_state = known or self.make_safe(last=True)
        self._stack.close()
        return self.safe_state

    @property
    def left_keyed(self) -> str:
        """What a person must be told of a unit that an earlier process left keyed; empty where none did."""
        left = self.safe.key_memory.left
        return "" if left is None else str(left)

    def drain_exchanges(self) -> list[Exchange]:
        """Return every message and answer since the last call, and forget them."""
        said, self._said[:] = list(self._said), []
        return said

    def _keep_change(self, exchange: Exchange) -> None:
        """Keep what was said to a person, or to a radio on a line of text: either may have changed what others see."""
        self._changes.note(exchange.time_s)
        self._said.append(exchange)

    def keep_exchange(self, exchange: Exchange) -> None:
        """Keep a message that was exchanged with no instrument: a question to a person, and the answer."""
        self._said.append(exchange)

    def _opening_rank(self, name: str) -> tuple[int, bool]:
        role = self.bench.instruments[name].role
        rank = _OPENING_ORDER.index(role) if role in _OPENING_ORDER else len(_OPENING_ORDER)
        return rank, name == INTERFERER  # the generator that opens first is the wanted one

    def open_one(self, name: str) -> None:
        """Open one instrument, after the key line, and bring it to its known state. Raises `InstrumentFault`.

        An RF switch is refused as long as the key could not be confirmed open: resetting it would move it under power.
        """
        if name in self.instruments:
            return
        entry = self.bench.instruments[name]
        radio = self.bench.with_role("radio")
        if radio is not None and entry.role != "radio" and radio[0] not in self.instruments:
            fault = self._key_line_fault or self._open_key_line(radio[0])
            if fault is not None and entry.role == "switch":
                raise Refused(
                    f"not opened: the unit may be transmitting, and the switch would move under power ({fault})",
                    instrument=name,
                    address=entry.address,
                    next_move=f"Bring {radio[0]} to answer first, or remove the supply from the unit.",
                ) from fault
        self._open(name)

    def _open_key_line(self, name: str) -> InstrumentFault | None:
        try:
            self._open(name)
        except InstrumentFault as fault:
            self._key_line_fault = fault
        return self._key_line_fault

    def _open(self, name: str) -> None:
        self._touched = True
        entry = self.bench.instruments[name]
        instrument = self._make(name, entry)
        self._stack.callback(instrument.close)
        confirm = partial(confirm_identity, name, entry)
        if isinstance(instrument, ProfiledInstrument):  # before another instrument is reset
            instrument.confirm_identity = confirm
        identity = instrument.open()
        confirm(identity)
        self.identities[name] = identity
        self.instruments[name] = instrument

    def _make(self, name: str, entry: Entry) -> Any:
        if isinstance(entry, ByHand):
            return self._operators.make(name, entry)
        if isinstance(entry, TextRadio):
            return make_text_radio(
                name,
                entry,
                self.parts.profiles[name],
                clock=self.clock,
                trace=self._keep_change,
                stack=self._stack,
                simulation=self.parts.simulation,
                tape=self.parts.tape,
            )
        return self._make_linked(name, name)

    def _make_linked(self, name: str, called: str) -> Any:
        entry = self.bench.instruments[name]
        link = Link(
            self._library,
            name=called,
            address=entry.address,
            clock=self.clock,
            timeout_s=entry.timeout_s,
            open_timeout_s=open_timeout_s(entry),
            trace=self._said.append,
        )
        # beside a person it is the person's instrument that is waited for
        settle_s = entry.settling_s if called == name else 0.0
        driver: Any = find_driver("profile" if entry.manual else entry.driver, entry.role)
        made = driver(link, self.parts.profiles[name], self.clock, settle_s=settle_s, limits=limits_of(entry))
        if isinstance(made, ProfiledInstrument):
            made.share_changes(self._changes)
        return made

    def _make_safe_bench(self, instruments: dict[str, Instrument]) -> SafeBench:
        paths, protection = self.bench.paths, self.bench.protection
        radio = self.bench.with_role("radio")
        return SafeBench(
            instruments,
            roles=self.bench.roles,
            clock=self.tally,
            ratings=Ratings(
                max_key_time_s=protection.max_key_time_s,
                key_duty=protection.key_duty_percent / 100.0,
                max_receiver_input_dbm=protection.max_receiver_input_dbm,
                max_supply_current_a=protection.max_supply_current_a,
                max_supply_voltage_v=max_supply_v(self.bench),
                max_meter_dbm=max_meter_dbm(self.bench),
                path_rating_dbm=dbm_from_w(paths.transmit.rating_w)
                if paths.transmit is not None
                else math.inf,
                supply_accuracy_percent=supply_accuracy_percent(self.bench),
            ),
            receive_loss_db=paths.receive.loss_db if paths.receive is not None else _no_loss,
            transmit_loss_db=paths.transmit.loss_db if paths.transmit is not None else _no_loss,
            bounds_s=bounds_s(self.bench),
            release_max_s=longest_release_s(radio[1]) if radio is not None else 0.0,
            send_off_unanswered=self._send_off_unanswered,
            open_missing=self._open_again,
            confirm_alone=lambda asking: confirm_held(self._locks, asking),
            key_memory=KeyMemory(
                key_mark(self.bench) if self.parts.is_real else None,
                serial=self.parts.serial,
                duty=protection.key_duty_percent / 100.0,
            ),
            cables=Cables(cables_mark(self.bench) if self.parts.is_real else None, announce=self._announce),
            announce=self._announce,
            watchdog=self._watchdog,
            standstill=self.standstill,
            chamber=chamber_rules(self.bench),
        )

    def _send_off_unanswered(self, role: str) -> None:
        for name, entry in self.bench.instruments.items():
            command = self.parts.profiles[name].commands.get(_OFF.get(role, ""))
            if entry.role != role or entry.manual or command is None or self._library is None:
                continue
            message = command.switched(False).encode("ascii", "replace") + b"\n"
            wait_s = open_timeout_s(entry)
            send_unanswered(
                self._library,
                message,
                name=name,
                address=entry.address,
                wait_s=wait_s,
                clock=self.clock,
                keep=self._said.append,
            )


def _no_loss(_frequency_hz: float) -> float:
    return 0.0
