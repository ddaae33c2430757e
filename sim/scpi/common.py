"""What every SCPI instrument has: the common commands, SYSTem:ERRor, STATus, and the registers behind them.

IEEE 488.2 chapter 10 and SCPI-1999 volume 1 chapter 4.2.1 ("required commands") and volume 2 chapters 20 and
21, from memory.

Does not model: *SAV, *RCL, *PSC, macros, *OPT?, SYSTem:COMMunicate, passwords, the clock (SYSTem:DATE).
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import Any

from sim.scpi.declare import Later, command
from sim.scpi.parameters import Number
from sim.scpi.status import (
    ERROR_AVAILABLE,
    EVENT_SUMMARY,
    MASTER_SUMMARY,
    MESSAGE_AVAILABLE,
    OPERATION_BITS,
    OPERATION_COMPLETE,
    OPERATION_SUMMARY,
    POWER_ON,
    QUESTIONABLE_BITS,
    QUESTIONABLE_SUMMARY,
    ErrorQueue,
    ScpiError,
    StatusRegister,
    event_bit,
)

_BYTE = Number(integer=True, minimum=0, maximum=255, words=False)
_WORD = Number(integer=True, minimum=0, maximum=65535, words=False)


class CommonCommands(ABC):
    """Registers, error queue, overlapped operations and the mandatory commands."""

    identity = ("Unnamed", "Instrument", "0", "0")
    scpi_version = "1999.0"

    def __init__(self, clock: Any) -> None:
        self.clock = clock
        self.moment_s: float = clock.now_s()
        self.errors = ErrorQueue()
        self.operation = StatusRegister()
        self.questionable = StatusRegister()
        self.event_status = POWER_ON
        self.event_enable = 0
        self.service_enable = 0
        self.pending_until_s = -math.inf
        self._bits: dict[tuple[bool, int], float] = {}  # (questionable, mask) to the time it drops
        self._next_change_s = math.inf
        self._opc_armed = False

    # --- for instruments ---------------------------------------------------------------------------------

    def report(self, number: int, info: str = "", text: str | None = None) -> None:
        """Put an error into the queue and set its event status bit."""
        self.errors.push(number, info, text)
        self.event_status |= event_bit(number)

    def begin(self, bit: str, seconds: float) -> None:
        """Start an overlapped operation: its STATus:OPERation bit is up, and *OPC? waits, for ``seconds``.

        ``bit`` is a name of `scpi_status.OPERATION_BITS`, such as ``"SETTling"``.
        """
        until_s = self.moment_s + seconds
        self.pending_until_s = max(self.pending_until_s, until_s)
        self._hold(1 << OPERATION_BITS[bit], until_s, questionable=False)

    def flag(self, bit: str, *, on: bool) -> None:
        """Raise or drop a STATus:QUEStionable bit by name, such as ``"POWer"``."""
        mask = 1 << QUESTIONABLE_BITS[bit]
        if on:
            self._hold(mask, math.inf, questionable=True)
        else:
            self._bits.pop((True, mask), None)
            self._update_conditions()

    def operation_condition(self) -> int:
        """Return further STATus:OPERation bits; a hook, sampled after every command and at every status query."""
        return 0

    def questionable_condition(self) -> int:
        """Return further STATus:QUEStionable bits; a hook like `operation_condition`."""
        return 0

    def on_reset(self) -> None:  # noqa: B027 (a hook that few need)
        """React to *RST after all settings went to their defaults; a hook."""

    def on_clear(self) -> None:  # noqa: B027 (a hook that few need)
        """React to a device clear (interface message, not *CLS); a hook. The input and output are empty already."""

    def self_test(self) -> int:
        """Return what *TST? answers: 0 passed; a hook."""
        return 0

    def on_trigger(self) -> None:
        """React to *TRG or a bus trigger; a hook. Without a trigger system: -211."""
        raise ScpiError(-211)

    def status_byte(self, *, message_available: bool) -> int:
        """Return the status byte (with MSS in bit 6), as a serial poll or *STB? sees it."""
        self._update_conditions()
        status = ERROR_AVAILABLE * bool(len(self.errors)) | MESSAGE_AVAILABLE * message_available
        status |= (
            QUESTIONABLE_SUMMARY * self.questionable.summary() | OPERATION_SUMMARY * self.operation.summary()
        )
        status |= EVENT_SUMMARY * bool(self.event_status & self.event_enable)
        return status | MASTER_SUMMARY * bool(status & self.service_enable)

    # --- condition bits over time ------------------------------------------------------------------------

    def _hold(self, mask: int, until_s: float, *, questionable: bool) -> None:
        key = (questionable, mask)
        self._bits[key] = max(until_s, self._bits.get(key, -math.inf))
        self._update_conditions()

    def _update_conditions(self) -> None:
        now_s = self.moment_s
        for key in [key for key, until_s in self._bits.items() if until_s <= now_s]:
            del self._bits[key]
        operation, questionable = self.operation_condition(), self.questionable_condition()
        for is_questionable, mask in self._bits:
            operation |= 0 if is_questionable else mask
            questionable |= mask if is_questionable else 0
        self.operation.update(operation & 0x7FFF)
        self.questionable.update(questionable & 0x7FFF)
        if self._opc_armed and self.pending_until_s <= now_s:
            self._opc_armed = False
            self.event_status |= OPERATION_COMPLETE
        self._next_change_s = min(
            [*self._bits.values(), self.pending_until_s if self._opc_armed else math.inf], default=math.inf
        )

    @abstractmethod
    def _reset_settings(self) -> None:
        """Put every setting back to what `*RST` leaves."""

    @abstractmethod
    def _has_answers(self) -> bool:
        """Say whether an answer waits to be fetched (MAV)."""

    def _stop_operations(self) -> None:
        self._bits = {key: until_s for key, until_s in self._bits.items() if key[0]}
        self.pending_until_s = -math.inf
        self._opc_armed = False
        self._update_conditions()

    # --- IEEE 488.2 --------------------------------------------------------------------------------------

    @command("*IDN?", indefinite=True)
    def _identify(self) -> str:
        return ",".join(field.replace(",", " ") or "0" for field in self.identity)

    @command("*RST")
    def _reset(self) -> None:
        self._stop_operations()
        self._reset_settings()
        self.on_reset()

    @command("*CLS")
    def _clear_status(self) -> None:
        self.errors.clear()
        self.event_status = 0
        self.operation.event = self.questionable.event = 0
        self._opc_armed = False

    @command("*ESE", _BYTE)
    def _set_event_enable(self, mask: int) -> None:
        self.event_enable = mask

    @command("*ESE?")
    def _event_enable(self) -> int:
        return self.event_enable

    @command("*ESR?")
    def _event_status(self) -> int:
        self._update_conditions()
        event, self.event_status = self.event_status, 0
        return event

    @command("*SRE", _BYTE)
    def _set_service_enable(self, mask: int) -> None:
        self.service_enable = mask & ~MASTER_SUMMARY

    @command("*SRE?")
    def _service_enable(self) -> int:
        return self.service_enable

    @command("*STB?")
    def _status_byte(self) -> int:
        return self.status_byte(message_available=self._has_answers())

    @command("*OPC")
    def _arm_operation_complete(self) -> None:
        self._opc_armed = True
        self._update_conditions()

    @command("*OPC?")
    def _operation_complete(self) -> Later:
        return Later(self.pending_until_s - self.moment_s, 1)

    @command("*WAI")
    def _wait(self) -> Later:
        return Later(self.pending_until_s - self.moment_s)

    @command("*TST?")
    def _self_test(self) -> int:
        return self.self_test()

    @command("*TRG")
    def _trigger(self) -> None:
        self.on_trigger()

    # --- SYSTem and STATus -------------------------------------------------------------------------------

    @command(":SYSTem:ERRor[:NEXT]?")
    def _next_error(self) -> str:
        return self.errors.pop()

    @command(":SYSTem:ERRor:ALL?")
    def _all_errors(self) -> str:
        return ",".join(self.errors.pop() for _ in range(max(1, len(self.errors))))

    @command(":SYSTem:ERRor:COUNt?")
    def _error_count(self) -> int:
        return len(self.errors)

    @command(":SYSTem:VERSion?")
    def _version(self) -> str:
        return self.scpi_version

    @command(":STATus:PRESet")
    def _preset_status(self) -> None:
        self.operation.preset()
        self.questionable.preset()

    def _register(self, tree: str) -> StatusRegister:
        self._update_conditions()
        return self.operation if tree == "OPERation" else self.questionable


def _status_commands(tree: str) -> dict[str, Any]:
    """Make the STATus commands of one register, so that OPERation and QUEStionable cannot drift apart."""
    methods: dict[str, Any] = {}

    def add(tail: str, name: str, method: Any, *kinds: Number) -> None:
        method.__name__ = f"_{tree.lower()}_{name}"
        methods[method.__name__] = command(f":STATus:{tree}{tail}", *kinds)(method)

    add("[:EVENt]?", "event", lambda self: self._register(tree).take_event())
    add(":CONDition?", "condition", lambda self: self._register(tree).condition)
    for tail, field in ((":ENABle", "enable"), (":PTRansition", "positive"), (":NTRansition", "negative")):
        # bit 15 is always 0 (SCPI-1999 volume 2, 20), whatever is sent
        add(
            tail,
            f"set_{field}",
            lambda self, mask, field=field: setattr(self._register(tree), field, mask & 0x7FFF),
            _WORD,
        )
        add(tail + "?", field, lambda self, field=field: getattr(self._register(tree), field))
    return methods


for _tree in ("OPERation", "QUEStionable"):
    for _name, _method in _status_commands(_tree).items():
        setattr(CommonCommands, _name, _method)
