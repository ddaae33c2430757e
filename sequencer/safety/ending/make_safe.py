"""Making an open bench safe: unit unkeyed, generators off, and on the way out the unit's supply."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from drivers.clock import Clock
from drivers.roles import Chamber, Instrument, Radio, SignalGenerator, Supply
from sequencer.safety.control.chamber import ChamberLine
from sequencer.safety.control.interlock import Interlock
from sequencer.safety.control.side import present
from sequencer.safety.control.supply import SupplyLine
from sequencer.safety.ending.cut_off import CutOff
from sequencer.safety.ending.loudspeaker import Loudspeaker
from sequencer.safety.ending.way_out import SafeStep, take_steps
from sequencer.safety.state import CHAMBER_RUNS

PTT_RELEASED, GENERATOR_OFF, SUPPLY_OFF = "PTT released", "generator off", "supply off"
CHAMBER_STOPPED = "chamber stopped"
PTT_FAILED = "PTT could not be confirmed released"
SWITCHED_BY: Mapping[str, type[Instrument]] = {
    PTT_RELEASED: Radio,
    GENERATOR_OFF: SignalGenerator,
    SUPPLY_OFF: Supply,
    CHAMBER_STOPPED: Chamber,
}
"""What is said of a safe bench, and the role that does it."""


class WayOut:
    """The steps that make one bench safe. ``send_off_unanswered`` and ``open_missing`` are those of `SafeBench`."""

    def __init__(
        self,
        interlock: Interlock,
        cut_off: CutOff,
        line: SupplyLine,
        chamber: ChamberLine,
        loudspeaker: Loudspeaker,
        *,
        roles: frozenset[str],
        clock: Clock,
        send_off_unanswered: Callable[[str], None],
        open_missing: Callable[[str], object],
    ) -> None:
        self._interlock = interlock
        self._cut_off = cut_off
        self._line = line
        self._chamber = chamber
        self._loudspeaker = loudspeaker
        self._roles = roles
        self._clock = clock
        self._send_off_unanswered = send_off_unanswered
        self._open_missing = open_missing

    def take(
        self, *, last: bool, patience_s: float, listen: bool = False
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Take all steps of the roles that there are; return what was confirmed, and what could not be.

        ``listen`` hears the unit before and after its supply goes off, which takes a reading's time.
        """
        return take_steps(list(self._steps(last=last, listen=listen)), self._clock, patience_s=patience_s)

    def _steps(self, *, last: bool, listen: bool) -> Iterator[SafeStep]:
        if "radio" in self._roles:
            yield SafeStep(
                act=self._with_opened("radio", self._interlock.unkey),
                done=PTT_RELEASED,
                failed=PTT_FAILED,
                otherwise=self._cut_off.cut_and_say,
            )
        if "signal_generator" in self._roles:
            yield SafeStep(
                act=self._with_opened(
                    "signal_generator",
                    self._interlock.confirm_generators_off if last else self._interlock.generators_off,
                ),
                done=GENERATOR_OFF,
                failed="the generator could not be confirmed off",
                otherwise=lambda: self._send_off_unanswered("signal_generator") or "",
            )
        if last and "supply" in self._roles:
            yield SafeStep(
                act=self._with_opened("supply", self._remove_heard if listen else self._line.remove),
                done=SUPPLY_OFF,
                failed="the unit's supply could not be confirmed off",
                otherwise=lambda: self._send_off_unanswered("supply") or "",
            )

        if last and "chamber" in self._roles:
            yield SafeStep(
                act=self._with_opened("chamber", self._chamber.stop),
                done=CHAMBER_STOPPED,
                failed=CHAMBER_RUNS,
                otherwise=lambda: self._send_off_unanswered("chamber") or "",
            )

    def _remove_heard(self) -> None:
        """Take the supply from the unit, and hear that its receiver falls silent where it was heard before."""
        supply = present(self._line.find(), "supply")
        before = self._loudspeaker.heard() if not supply.manual else None
        self._line.remove()
        self._loudspeaker.confirm_silenced(before, supply)

    def _with_opened(self, role: str, act: Callable[[], None]) -> Callable[[], None]:
        def opened() -> None:
            self._open_missing(role)
            act()

        return opened
