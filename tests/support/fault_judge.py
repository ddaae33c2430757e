"""What a run came to that one operation of its instruments was disturbed in, held against the same run undisturbed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

from sequencer.results.model import FaultFacts, Result
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.bench import SimulatedBench
from sim.instruments.chamber import ClimaticChamber
from sim.instruments.signal_generator import SignalGenerator
from sim.wiring.witness import HazardKind

LEAST_SHARE = 0.01  # of a figure that carries no uncertainty
DRIFT = 0.02  # of the span between the limits, or of the figure: a unit that was keyed for longer, or rested, is another degree warm
ON_THE_WRONG_PATH = {
    HazardKind.KEYED_INTO_GENERATOR,
    HazardKind.KEYED_WITHOUT_LOAD,
    HazardKind.POWER_INTO_GENERATOR,
}
UNHEARD_DBM = -130.0
GENERATOR_ON = "the generator could not be confirmed off"
NAMES_COMMAND = {"TimedOut", "ConnectionLost", "InstrumentError"}
"""Faults of one message. Others may be of no one message: a connection that cannot be opened, two instruments that disagree."""


class Came(Enum):
    """What a disturbed run came to."""

    UNCHANGED = "passed through unchanged"
    RETRIED = "the same, taken again and said so"
    NOT_MEASURED = "check not measured"
    ENDED = "run ended"
    KEYED = "found by keying"
    """A switch that says that it moved and did not: pressing PTT for a moment finds it out (`sequencer/safety/bench.py`)."""
    LOWEST = "left at its lowest level"
    """A generator that says it is off, and gives the level that no receiver hears: it obeyed until that was proved."""
    WRONG = "wrong"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """One run: what it found by the number of the step, how it ended, and the bench it was on."""

    kept: Mapping[int, Sequence[Result]]
    outcome: RunOutcome
    ended: str
    simulation: SimulatedBench
    steps: tuple[int, ...]
    """The numbers of the steps that were to be made."""


def came_to(sound: Ran, run: Ran) -> Came:
    """Say what a run came to that states nothing wrong."""
    results = [one for each in run.kept.values() for one in each]
    if run.ended != sound.ended or any(step not in run.kept for step in run.steps):
        return Came.ENDED
    if any(one.decision is Decision.NOT_MEASURED for one in results):
        return Came.NOT_MEASURED
    said = [one.note for step in run.steps for one in run.kept[step]]
    usual = [one.note for step in run.steps for one in sound.kept[step]]
    return Came.UNCHANGED if said == usual and not run.outcome.faults else Came.RETRIED


def was_keyed_to_find(run: Ran) -> bool:
    """Say whether all that the witness saw is PTT pressed for a moment on a switch that was believed, and the run names the switch."""
    hazards = run.simulation.hazards
    named = any(
        "saw nothing of the unit" in one.what or "contact stuck" in one.what for one in run.outcome.faults
    )
    return bool(hazards) and named and all(one.kind in ON_THE_WRONG_PATH for one in hazards)


def wrong(sound: Ran, run: Ran, *, switch_lies: bool = False) -> list[str]:
    """Return what is wrong with a run; nothing where it is safe and honest. ``switch_lies``: the fault is of a switch that did not move."""
    unsafe = () if switch_lies and was_keyed_to_find(run) else _hazards(run)
    return [
        *unsafe,
        *_unsafe(run),
        *_stated_otherwise(sound, run),
        *_status(sound, run),
        *_unnamed(run),
        *(f"a defect: {one.splitlines()[-1]}" for one in run.outcome.problems if "itself failed" in one),
    ]


def _hazards(run: Ran) -> Iterator[str]:
    for kind, count in Counter(hazard.kind.value for hazard in run.simulation.hazards).items():
        yield f"hazard: {kind} ({count})"


def is_left_lowest(run: Ran) -> bool:
    """Say whether a generator gives the level that no receiver hears, and the last line does not name it."""
    given = _given_dbm(run.simulation)
    return (
        bool(given) and max(given) <= UNHEARD_DBM and GENERATOR_ON not in run.outcome.safe_state.last_line()
    )


def _given_dbm(simulation: SimulatedBench) -> list[float]:
    given = [one.delivered for one in simulation.devices.values() if isinstance(one, SignalGenerator)]
    return [one.level_dbm for one in given if one is not None]


def left_on(simulation: SimulatedBench) -> list[str]:
    """Return what of a bench is on, as the last line of a run says that it could not be confirmed off."""
    unit, devices = simulation.unit, simulation.devices.values()
    on = {
        "PTT could not be confirmed released": unit.keyed and unit.supply_v > 0.0,
        GENERATOR_ON: any(level_dbm > UNHEARD_DBM for level_dbm in _given_dbm(simulation)),
        "the unit's supply could not be confirmed off": unit.supply_v > 0.0,
        "the chamber could not be confirmed stopped": any(
            isinstance(one, ClimaticChamber) and one.running for one in devices
        ),
    }
    return [words for words, is_on in on.items() if is_on]


def _unsafe(run: Ran) -> Iterator[str]:
    line = run.outcome.safe_state.last_line()
    for words in left_on(run.simulation):
        if words not in line:
            yield f"left on, and the last line does not say '{words}'"


def _stated_otherwise(sound: Ran, run: Ran) -> Iterator[str]:
    for index, found in run.kept.items():
        true = {(one.quantity, one.channel, one.axis_value): one for one in sound.kept.get(index, ())}
        for one in found:
            was = true.get((one.quantity, one.channel, one.axis_value))
            if one.value is None:
                if not one.note:
                    yield f"{one.quantity}: not measured, and no reason"
            elif was is None or was.value is None:
                yield f"{one.quantity}: {one.value:.5g} {one.unit} is stated where nothing is undisturbed"
            elif one.decision is not was.decision:
                yield f"{one.quantity}: {one.decision.value}, undisturbed {was.decision.value}"
            else:
                within = _within(one, was)
                if abs(one.value - was.value) > within:
                    yield f"{one.quantity}: {one.value:.6g} {one.unit}, undisturbed {was.value:.6g} ± {within:.2g}"


def _within(one: Result, was: Result) -> float:
    """Return how far two results of one unit may lie apart."""
    apart = math.hypot(one.uncertainty or 0.0, was.uncertainty or 0.0)
    if not apart:
        return LEAST_SHARE * abs(was.value or 0.0)
    if was.lower_limit is not None and was.upper_limit is not None:
        return apart + DRIFT * (was.upper_limit - was.lower_limit)
    return apart + DRIFT * abs(was.value or 0.0) * (was.unit != "dBm")


def _status(sound: Ran, run: Ran) -> Iterator[str]:
    status, safe = run.outcome.status, run.outcome.safe_state.confirmed
    results = [one for each in run.kept.values() for one in each]
    missing = any(one.decision is Decision.NOT_MEASURED for one in results)
    ended = run.ended != sound.ended
    if (ended or not safe) and status is not ExitStatus.BENCH_FAILED:
        yield f"exit status {status}, and the run {'ended early' if ended else 'was not confirmed safe'}"
    elif missing and status not in (ExitStatus.FAILED, ExitStatus.BENCH_FAILED):
        yield f"exit status {status}, and something was not measured"
    elif not (ended or missing) and safe and status is not sound.outcome.status and not run.outcome.problems:
        yield f"exit status {status} without a reason, undisturbed {sound.outcome.status}"


def _unnamed(run: Ran) -> Iterator[str]:
    """Yield what a message does not name: instrument, address, command, next move; and what is in no result that it stopped."""
    for fault in run.outcome.faults:
        yield from (f"{fault.kind} ({fault.what}): names no {name}" for name in _left_out(fault))
    noted = [one for each in run.kept.values() for one in each if one.decision is Decision.NOT_MEASURED]
    for one in noted:
        if one.fault is not None and (one.fault.instrument not in one.note or one.fault.what not in one.note):
            yield f"{one.quantity}: its note does not say what its fault does: {one.note}"


def _left_out(fault: FaultFacts) -> list[str]:
    named: dict[str, Any] = {
        "instrument": fault.instrument,
        "address": fault.address,
        "next move": fault.next_move,
        "command": fault.command or fault.kind not in NAMES_COMMAND,
    }
    return [name for name, there in named.items() if not there]
