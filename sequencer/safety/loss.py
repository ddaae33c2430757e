"""The loss side: generator and power meter, and no unit. A person connects them directly, then through what is measured.

While cables are open the unit is unkeyed and without supply, no key is in anybody's reach here, and the generator is off whenever a
person is asked to touch a connector. That it is off is not taken from its own word alone: the power meter that is joined to it is read,
unless a person reads it.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Literal

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed, Refused, UnexpectedReply
from drivers.roles import PowerMeter, Reading, SignalGenerator
from sequencer.safety.control.side import Side
from sequencer.safety.proofs.plausible import MARGIN_DB, SELECTIVE, Span
from sequencer.safety.receiving.receive_signal import GENERATOR_SETTLE_MAX_S
from sequencer.safety.remembered.cables import Connection, not_confirmed

OFF_SETTLE_S = 0.2
OFF_FALL_DB = (
    6.0  # less of a fall is a generator still on, or a level in the meter's noise: common practice, no source
)
HandPath = Literal["receive", "transmit", "cable"]
"""What is measured: one of the bench's paths, through its switch, or a cable or pad by itself."""
LossPath = HandPath | Literal["check"]
"""What lies between generator and power meter: what a person connects, or on `check` what the switch does."""


class LossSide(Side):
    """Unit unkeyed and unfed, generator usable into the power meter. Levels are at the generator's connector, dBm."""

    __slots__ = (
        "_before",
        "_confirm",
        "_connected",
        "_connection",
        "_generator",
        "_max_dbm",
        "_meter",
        "_on_dbm",
        "_see_silent",
    )

    def __init__(
        self,
        *,
        generator: SignalGenerator,
        meter: PowerMeter,
        clock: Clock,
        max_dbm: float,
        confirm: Callable[[str], bool],
        connected: Callable[[Connection], None],
        see_silent: Callable[[Callable[[], frozenset[str]]], None] = lambda confirm: None,
    ) -> None:
        super().__init__(clock, 0.0)
        self._see_silent = see_silent
        self._before = ""
        self._on_dbm: float | None = (
            None  # what the meter showed of the generator last, until it was seen to be gone
        )
        self._generator = generator
        self._meter = meter
        self._max_dbm = max_dbm
        self._confirm = confirm
        self._connected = connected
        self._connection: Connection = "normal"

    def connect(self, connection: Connection, text: str) -> None:
        """Switch the generator off, confirmed, and have a person make ``connection``; ``text`` says how it is to be.

        Raises NotConfirmed if the person does not say that it is so, and before the person is asked if the meter still sees the generator.
        """
        self.remove_signal()
        # Unknown from the question on: a person who has begun to move cables and then says no has moved cables.
        self._connection = "unknown"
        self._connected("unknown")
        if not self._confirm(text):
            raise not_confirmed(text)
        self._connection = connection
        self._connected(connection)

    def apply(self, frequency_hz: float, level_dbm: float) -> None:
        """Switch an unmodulated carrier on; the meter is told its frequency.

        Refused above the power meter's rating, and while the cables are as the bench needs them for a unit.
        """
        self._refuse_if_left()
        if self._connection not in ("direct", "through"):
            raise self._refused(
                "no connection between generator and meter was confirmed", "Connect them first."
            )
        if not level_dbm <= self._max_dbm + 1e-9:  # also refuses what is no number
            raise self._refused(
                f"{level_dbm:.1f} dBm into the power meter refused; max_power allows {self._max_dbm:.1f} dBm",
                "Lower 'level' in the sequence.",
            )
        self._frequency_hz = frequency_hz
        self._meter.set_correction_frequency_hz(frequency_hz)
        self._generator.disable_all_modulation()
        self._generator.configure_rf(frequency_hz, level_dbm)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)
        self._on_dbm = level_dbm

    def level_made_dbm(self, asked_dbm: float) -> float:
        """Return what the generator made of the level that was set last, dBm, by its own word; without that what was asked for."""
        made_dbm = self._generator.level_made_dbm
        return asked_dbm if made_dbm is None else made_dbm

    def remove_signal(self) -> None:
        """Switch the generator off, confirmed, and see on the power meter that it is. NotConfirmed where its level is still there."""
        self._refuse_if_left()
        self._generator.configure_output_enabled(False)
        if self._on_dbm is not None and not self._meter.manual:
            self._see_silent(self._confirm_silent)

    def remove_signal_after(self, fault: InstrumentFault) -> None:
        """Do the same after ``fault``, which is told with what the meter still sees; another fault on the way is not told."""
        self._before = f"{fault.what}; then "
        with suppress(InstrumentFault):
            self.remove_signal()

    def _confirm_silent(self) -> frozenset[str]:
        self.wait_s(OFF_SETTLE_S)
        reading = self._power()
        on_dbm, self._on_dbm = self._on_dbm, None
        if on_dbm is None or reading.number is None or on_dbm - reading.number >= OFF_FALL_DB:
            return frozenset()  # seen by the meter joined to it, which is not the unit
        raise NotConfirmed(
            f"{self._before}its output reads off, and the power meter joined to it reads {reading.number:.4g} dBm, after {on_dbm:.4g} dBm "
            "while it was on",
            instrument=self._generator.name,
            address=self._generator.address,
            next_move="See at its own panel that it is off, or take its cable off; if it is, see whether the power meter stands still.",
        )

    def read_power_dbm(self) -> Reading:
        """Return the power at the meter's own connector, dBm."""
        reading = self._power()
        if self._on_dbm is not None and reading.number is not None:
            self._on_dbm = reading.number
        return reading

    def _power(self) -> Reading:
        self._refuse_if_left()
        span = Span(
            low=SELECTIVE.low, high=self._max_dbm + MARGIN_DB, unit="dBm", why="what the power meter takes"
        )
        return self._watch.read("power", self._meter, self._meter.read_power_dbm, span=span)

    def confirm_fall(self, before_dbm: float, step_db: float, *, within_db: float) -> None:
        """Raise UnexpectedReply unless the meter reads ``step_db`` lower than ``before_dbm``, to ``within_db``; no number says nothing."""
        reading = self.read_power_dbm()
        if reading.number is None or abs(before_dbm - reading.number - step_db) <= within_db:
            return
        raise UnexpectedReply(
            f"the level was lowered by {step_db:g} dB and the power meter's reading by {before_dbm - reading.number:.4g} dB",
            instrument=self._meter.name,
            address=self._meter.address,
            reply=reading.raw,
            next_move="Check whether its display moves with the level, then its range and its scale in the profile.",
        )

    def wait_s(self, seconds: float) -> None:
        """Let time pass on the bench's clock."""
        self._refuse_if_left()
        self._clock.wait_s(seconds)

    def _refused(self, what: str, next_move: str) -> Refused:
        return Refused(
            what, instrument=self._generator.name, address=self._generator.address, next_move=next_move
        )
