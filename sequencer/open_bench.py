"""Opens a bench: its VISA library or its simulation, one link and one driver for each instrument, and the safe sides."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from filelock import FileLock, Timeout

from drivers.clock import Clock, RealClock
from drivers.instrument import Limits, ProfiledInstrument
from drivers.link import Link
from drivers.profile import Profile
from drivers.registry import find_driver
from drivers.roles import Identity, Instrument
from drivers.trace import Exchange
from drivers.transport import open_library
from sequencer.bench import BenchFile, SignalGenerator
from sequencer.bench import Instrument as Entry
from sequencer.safety import Ratings, SafeBench, SafeState

if TYPE_CHECKING:
    from sim.simulated_bench import SimulatedBench

# The key comes first: whatever a crashed run left keyed is released before anything else is touched.
_OPENING_ORDER = ("radio", "signal_generator")


class BenchBusy(Exception):
    """Another process drives this bench, or one of its instruments."""


class BenchUnsafe(Exception):
    """The bench opened and could not be confirmed safe."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchParts:
    """What an open bench is made from: its file, its profiles by instrument name, and the simulation if it is simulated."""

    bench: BenchFile
    profiles: Mapping[str, Profile]
    simulation: SimulatedBench | None = None


class OpenBench:
    """A bench whose instruments are open and whose state is safe. A context manager; leaving it makes the bench safe again.

    Entering raises `BenchBusy`, or an `InstrumentFault` if an instrument cannot be opened.
    """

    def __init__(self, parts: BenchParts) -> None:
        self.parts = parts
        self.bench = parts.bench
        self.simulated = parts.simulation is not None
        self.clock: Clock = parts.simulation.clock if parts.simulation is not None else RealClock()
        self.identities: dict[str, Identity] = {}
        self.instruments: dict[str, Instrument] = {}
        self.safe_state: SafeState | None = None
        self._said: list[Exchange] = []
        self._stack = ExitStack()
        self._touched = False
        self._library: Any = None
        self.safe = self._make_safe_bench(self.instruments)

    def open(self) -> None:
        """Lock the bench, open every instrument, the key line first, and make the bench safe."""
        self.prepare()
        for name in sorted(self.bench.instruments, key=self._opening_rank):
            self.open_one(name)
        if not (state := self.safe.make_safe()).confirmed:
            raise BenchUnsafe(state.last_line())

    def prepare(self) -> None:
        """Lock the bench and open its VISA library; no instrument hears of it yet."""
        self._lock()
        visa: Any = self.parts.simulation.library() if self.parts.simulation is not None else self.bench.visa
        self._library = self._stack.enter_context(open_library(visa))

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
            self.safe_state = known or (self.safe.make_safe() if self._touched else SafeState())
        self._stack.close()
        return self.safe_state

    def drain_exchanges(self) -> list[Exchange]:
        """Return every message and answer since the last call, and forget them."""
        said, self._said[:] = list(self._said), []
        return said

    def confirm_knobs(self) -> None:
        """Do on a simulated bench what the person who confirms has done on a real one."""
        if self.parts.simulation is not None:
            self.parts.simulation.confirm_knobs()

    def _opening_rank(self, name: str) -> int:
        role = self.bench.instruments[name].role
        return _OPENING_ORDER.index(role) if role in _OPENING_ORDER else len(_OPENING_ORDER)

    def open_one(self, name: str) -> None:
        """Open one instrument and bring it to its known state. Raises `InstrumentFault`."""
        self._touched = True
        entry = self.bench.instruments[name]
        link = Link(
            self._library,
            name=name,
            address=entry.address,
            clock=self.clock,
            timeout_s=entry.timeout_s,
            open_timeout_s=_open_timeout_s(entry),
            trace=self._said.append,
        )
        driver: Any = find_driver(entry.driver, entry.role)
        instrument: ProfiledInstrument = driver(
            link, self.parts.profiles[name], self.clock, settle_s=entry.settle_s, limits=_limits_of(entry)
        )
        self._stack.callback(instrument.close)
        self.identities[name] = instrument.open()
        self.instruments[name] = instrument  # type: ignore[assignment]

    def _make_safe_bench(self, instruments: dict[str, Instrument]) -> SafeBench:
        paths, protection = self.bench.paths, self.bench.protection
        radio = self.bench.with_role("radio")
        return SafeBench(
            instruments,
            roles=self.bench.roles,
            clock=self.clock,
            ratings=Ratings(
                max_key_time_s=protection.max_key_time_s,
                key_duty=protection.key_duty_percent / 100.0,
                max_receiver_input_dbm=protection.max_receiver_input_dbm,
                max_supply_current_a=protection.max_supply_current_a,
            ),
            receive_loss_db=paths.receive.loss_db if paths.receive is not None else _no_loss,
            transmit_loss_db=paths.transmit.loss_db if paths.transmit is not None else _no_loss,
            bounds_s={entry.role: entry.timeout_s for entry in self.bench.instruments.values()},
            release_max_s=longest_release_s(radio[1]) if radio is not None else 0.0,
        )

    def _lock(self) -> None:
        """Take every address for this process; the operating system drops the locks with the process, however it ends."""
        if self.simulated:
            return
        folder = Path(tempfile.gettempdir()) / "radio-bench-sequencer-locks"
        folder.mkdir(exist_ok=True)
        for entry in self.bench.instruments.values():
            name = hashlib.sha256(entry.address.upper().encode()).hexdigest()[:24]
            try:
                self._stack.enter_context(FileLock(folder / f"{name}.lock", timeout=0))
            except Timeout as error:
                raise BenchBusy(
                    f"another process drives {entry.address} on bench {self.bench.bench!r}. "
                    "Wait until it has ended, or end it; it leaves the bench safe."
                ) from error


def longest_release_s(radio: Entry) -> float:
    """Return how long releasing the key can take: two tries, each with its error query, and the link reopened for each."""
    return 4.0 * radio.timeout_s + 4.0 * _open_timeout_s(radio)


def _open_timeout_s(entry: Entry) -> float:
    return min(entry.timeout_s, 1.0)


def _limits_of(entry: Entry) -> Limits:
    if isinstance(entry, SignalGenerator):
        return Limits(level_min_dbm=entry.level.min_dbm, level_max_dbm=entry.level.max_dbm)
    return Limits()


def _no_loss(_frequency_hz: float) -> float:
    return 0.0
