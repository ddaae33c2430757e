'''An instrument that understands SCPI as real ones do. A complete example:

    from sim.scpi.device import (
        Boolean, Choice, Later, Number, ScpiDevice, ScpiError, command, setting,
    )

    class Supply(ScpiDevice):
        """A bench supply."""

        identity = ("Hollinbrook", "PS-30", "1007", "1.02")     # *IDN?: maker, model, serial, firmware

        # set + query + MIN|MAX|DEF + *RST, all from one line; self.voltage_v is the number
        voltage_v = setting(
            "[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
            Number("V", minimum=0, maximum=30, default=0, resolution=0.001),
        )
        output_on = setting(":OUTPut[:STATe]", Boolean(default=False))
        sensing = setting(":SENSe:SOURce[:CW|:FIXed]", Choice("INTernal", "EXTernal", default="INTernal"))
        # numeric suffixes 1 and 2: self.tone_hz is a dictionary {1: 1000.0, 2: 1000.0}
        tone_hz = setting(":TONE<1:2>:FREQuency", Number("Hz", minimum=20, maximum=20e3, default=1e3))

        def __init__(self, clock, load_ohm):
            super().__init__(clock)
            self.load_ohm = load_ohm

        @voltage_v.check                      # before it is set; raise to refuse
        def _protect(self, volts):
            if volts > 15 and self.sensing == "EXTernal":
                raise ScpiError(-221, "external sensing allows 15 V")

        @voltage_v.changed                    # after it was set (also by *RST)
        @output_on.changed
        def _settle(self):
            self.begin("SETTling", 0.030)     # STAT:OPER:COND? bit 1 for 30 ms; *OPC? waits for it

        @command(":MEASure[:SCALar]:CURRent[:DC]?", Number("A", minimum=0, maximum=10, optional=True))
        def measure_current(self, expected_a):              # None when left out
            return Later(0.020, self._current)               # 20 ms on the clock; _current() is called then

        def _current(self):
            if not self.output_on:
                return float("nan")                          # answered 9.91E+37
            current_a = self.voltage_v / self.load_ohm
            self.flag("CURRent", on=current_a > 5)           # STATus:QUEStionable bit 1
            return current_a              # float: NR3, int: NR1, bool: 1/0, str: as is, bytes: block

        @command(":OUTPut:PROTection:CLEar")
        def clear_protection(self):
            self.flag("CURRent", on=False)

    supply = Supply(VirtualClock(), load_ohm=10)
    supply.input(b"VOLT 12 V;:OUTP ON;:MEAS:CURR?")
    supply.output()                         # NotYet(ready_at_s=0.02)
    supply.clock.wait_s(0.02)
    supply.output()                         # b"1.200000000E+00\\n"

Pattern: long form with the short form in capitals; ``[...]`` optional; ``[:CW|:FIXed]`` choices;
``<low:high>`` numeric suffix, given to the method first. Within a handler the time is ``self.moment_s``.
`Later` keeps the instrument busy: nothing else it was sent is carried out before. `begin` does not (an
overlapped operation). Hooks: ``on_reset``, ``on_clear``, ``on_trigger``, ``self_test``,
``operation_condition``, ``questionable_condition``. An exception other than ScpiError in a handler is a
defect of the simulation and is not hidden.

Message exchange (IEEE 488.2 chapter 6, from memory): `input` and `output` are the exchange of one controller
on a bus with END, with -410, -420 and -440. `submit` is the layer below, from which streams (raw sockets) are
made; see sim/serve/session.py.

Does not model: output buffers that fill (-430), *WAI between controllers, remote and local, front panels.
'''

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, Protocol

from sim.frozen import dataclass
from sim.scpi.common import CommonCommands
from sim.scpi.declare import Later, Setting, command, setting
from sim.scpi.faults import FaultScript
from sim.scpi.parameters import Boolean, Channels, Choice, Data, Number, Text, block, nr3, quoted, say
from sim.scpi.status import ScpiError
from sim.scpi.tree import Step, Tree

__all__ = [
    "Boolean",
    "Channels",
    "Choice",
    "Data",
    "Exchange",
    "Language",
    "Later",
    "NotYet",
    "Number",
    "ScpiDevice",
    "ScpiError",
    "Setting",
    "Text",
    "block",
    "command",
    "nr3",
    "quoted",
    "setting",
]


@dataclass(frozen=True, slots=True)
class NotYet:
    """No answer yet: it is ready at ``ready_at_s`` on the device's clock; infinity where none is to come."""

    ready_at_s: float


class Language(Protocol):
    """Another make's words for the same instrument: how a simulated instrument stands in for one that does not speak SCPI's own."""

    def hear(self, message: bytes) -> tuple[bytes, Callable[[Sequence[str]], Sequence[str]]]:
        """Return ``message`` in the words of this device, and what turns its answers into the other make's."""


def _as_they_are(answers: Sequence[str]) -> Sequence[str]:
    return answers


class Exchange:
    """One program message on its way: what is left of it, and what it answered so far."""

    __slots__ = (
        "answers",
        "device",
        "done",
        "failed",
        "indefinite",
        "later",
        "position",
        "ready_at_s",
        "said",
        "steps",
    )

    def __init__(
        self, device: ScpiDevice, steps: tuple[Step, ...], said: Callable[[Sequence[str]], Sequence[str]]
    ) -> None:
        self.device = device
        self.said = said
        self.steps = steps
        self.position = 0
        self.answers: list[str] = []
        self.indefinite = False
        self.later: Any = None
        self.ready_at_s = -math.inf
        self.done = not steps
        self.failed = False

    @property
    def asks(self) -> bool:
        """Whether the message has a query, so that an answer is due."""
        return any(step.query for step in self.steps)

    def response(self) -> bytes:
        """Return the whole response message with its NL, or nothing."""
        return ";".join(self.said(self.answers)).encode("latin-1", "replace") + b"\n" if self.answers else b""


class ScpiDevice(CommonCommands):
    """Base class of simulated instruments; see the example at the top of this module.

    Not thread-safe: one lock around a bench (sim/serve/network.py and sim/serve/visa.py take it).
    """

    tree = Tree()
    settings_declared: tuple[Setting, ...] = ()

    def __init_subclass__(cls, **keywords: Any) -> None:
        super().__init_subclass__(**keywords)
        cls.tree, found = _collect(cls)
        cls.settings_declared = tuple(found)

    def __init__(self, clock: Any) -> None:
        super().__init__(clock)
        self.faults = FaultScript()
        self.language: Language | None = None
        self.settings: dict[str, Any] = {}
        for each in self.settings_declared:
            self.settings[each.name] = each.first(self)
        self._queue: deque[Exchange] = deque()
        self._running: Exchange | None = None
        self._exchange: Exchange | None = None  # of input() and output()
        kind = type(self)
        self._sampled = (
            kind.operation_condition is not CommonCommands.operation_condition
            or kind.questionable_condition is not CommonCommands.questionable_condition
        )

    # --- one controller on a bus ------------------------------------------------------------------------

    def input(self, message: bytes) -> None:
        """Take one program message; an answer of the previous one that was not read is lost with -410."""
        before = self._exchange
        if before is not None and before.asks and (before.answers or not before.done):
            self.interrupt(before)
        self._exchange = self.submit(message)

    def output(self) -> bytes | NotYet:
        """Take the response message (with NL), or learn when it is ready. Asked for nothing: -420 and NotYet(inf)."""
        exchange = self._exchange
        if exchange is not None and not exchange.done:
            self.advance()
            if not exchange.done:
                return NotYet(self.ready_at_s(exchange))
        if exchange is None or not exchange.answers:
            self.report(-420)
            self._exchange = None
            return NotYet(math.inf)
        self._exchange = None
        return exchange.response()

    # --- any number of links ----------------------------------------------------------------------------

    def submit(self, message: bytes) -> Exchange:
        """Take one program message after all that were taken before, and carry out what time allows."""
        said: Callable[[Sequence[str]], Sequence[str]] = _as_they_are
        if self.language is not None:
            message, said = self.language.hear(message)
        exchange = Exchange(self, self.tree.steps(message), said)
        if not exchange.done:
            self._queue.append(exchange)
        self.advance()
        return exchange

    def advance(self) -> None:
        """Carry out what is due at the clock's present time."""
        now_s = self.clock.now_s()
        queue = self._queue
        while queue:
            head = queue[0]
            if head.ready_at_s > now_s:
                break
            try:
                self._run(head, now_s)
            except BaseException:
                head.done = True
                queue.popleft()
                raise
            if not head.done:
                continue
            queue.popleft()
        self._pass_to(now_s)

    def ready_at_s(self, exchange: Exchange) -> float:
        """Return when looking at this exchange again makes sense (it may then have to wait once more)."""
        if exchange.done:
            return self.clock.now_s()  # type: ignore[no-any-return]
        return self._queue[0].ready_at_s

    def interrupt(self, exchange: Exchange) -> None:
        """Drop the answer of an exchange and report -410; commands of it that still wait are carried out in time."""
        exchange.failed = True
        exchange.answers.clear()
        self.report(-410)

    def cancel(self, exchange: Exchange) -> None:
        """Forget what is left of an exchange: its link is gone, or a device clear came."""
        exchange.done = True
        exchange.answers.clear()
        if exchange in self._queue:
            self._queue.remove(exchange)

    def clear(self) -> None:
        """Do a device clear: input, output and waiting commands are forgotten; settings and errors stay (488.2, 5.8)."""
        self.moment_s = self.clock.now_s()
        for exchange in list(self._queue):
            self.cancel(exchange)
        self._exchange = None
        self._opc_armed = False
        self.on_clear()

    # --- inside -----------------------------------------------------------------------------------------

    def _pass_to(self, now_s: float) -> None:
        self.moment_s = now_s
        if now_s >= self._next_change_s:
            self._update_conditions()

    def _run(self, exchange: Exchange, now_s: float) -> None:
        if exchange.later is not None:
            # the clock may have gone further than the moment when the answer became ready
            self._pass_to(exchange.ready_at_s if exchange.ready_at_s > self.moment_s else self.moment_s)
        else:
            self._pass_to(now_s)
        self._running = exchange
        steps = exchange.steps
        try:
            while exchange.position < len(steps):
                step = steps[exchange.position]
                answer = self._resume(exchange, step)
                if isinstance(answer, Later):
                    exchange.later = answer
                    exchange.ready_at_s = self.moment_s + max(0.0, answer.seconds)
                    if exchange.ready_at_s > now_s:
                        return
                    self._pass_to(exchange.ready_at_s)
                    continue
                exchange.position += 1
                if answer is not None and not exchange.failed:
                    exchange.answers.append(say(answer))
                    exchange.indefinite = step.command.indefinite  # type: ignore[union-attr]
                if self._sampled:
                    self._update_conditions()
            exchange.done = True
        except ScpiError as error:
            # IEEE 488.2 6.1.6: after a command error the rest of the message is not carried out
            self.report(error.number, error.info)
            exchange.done = True
        finally:
            self._running = None

    def _resume(self, exchange: Exchange, step: Step) -> Any:
        try:
            if exchange.later is not None:
                later, exchange.later = exchange.later, None
                return later.answer() if callable(later.answer) else later.answer
            if step.error is not None:
                raise step.error
            if exchange.indefinite and step.query:
                self.report(-440)
                return None
            return step.command.execute(self, step.suffixes, step.tokens)  # type: ignore[union-attr]
        except ScpiError as error:
            if -199 <= error.number <= -100:
                raise
            self.report(error.number, error.info)
            return None

    def _reset_settings(self) -> None:
        for each in self.settings_declared:
            each.reset(self)

    def _has_answers(self) -> bool:
        return bool(self._running and self._running.answers)


def _collect(cls: type) -> tuple[Tree, list[Setting]]:
    """Build the tree from the base classes to the class itself, so that a subclass may declare a command anew."""
    tree = Tree()
    settings: dict[str, Setting] = {}
    for base in reversed(cls.__mro__):
        fresh = Tree()  # finds what one class declares twice
        for name, member in vars(base).items():
            if isinstance(member, Setting):
                settings[name] = member
                member.declare(fresh, replace=False)
                member.declare(tree, replace=True)
            for pattern, declared in getattr(member, "scpi_commands", ()) if callable(member) else ():
                fresh.add(pattern, declared)
                tree.add(pattern, declared, replace=True)
    return tree, list(settings.values())
