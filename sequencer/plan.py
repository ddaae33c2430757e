"""The plan: what will be done, in order, and the proof of what can be proved before the first byte is sent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from sequencer.bench import PowerMeter, SignalGenerator, Supply
from sequencer.checks import all_checks
from sequencer.checks.base import AnyCheck, CheckSettings, Conditions, Demand
from sequencer.checks.confirm import Confirm, ConfirmSettings
from sequencer.complaint import Complaint, FileProblems
from sequencer.loading import LoadedBench, LoadedSequence
from sequencer.open_bench import longest_release_s
from sequencer.quantities import dbm_from_w, w_from_dbm

SIDE_CHANGE_S = 0.4
"""About what it takes to reach a side: unkey, generator off, switch, select. Measured on the simulated bench."""

_SIDE_ROLES = {
    "receive": frozenset({"radio", "switch", "signal_generator"}),
    "transmit": frozenset({"radio", "switch"}),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One check on one channel."""

    index: int
    label: str
    check: AnyCheck
    settings: CheckSettings
    conditions: Conditions
    forecast_s: float
    at: tuple[str | int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Every step of a run, in order."""

    sequence: LoadedSequence
    bench: LoadedBench
    steps: tuple[Step, ...]

    @property
    def forecast_s(self) -> float:
        """About how long the run takes, bench time, s; waiting for a person not counted."""
        return sum(step.forecast_s for step in self.steps)

    @property
    def confirmations(self) -> int:
        """How often a person is asked."""
        return sum(isinstance(step.check, Confirm) for step in self.steps)


def make_plan(sequence: LoadedSequence, bench: LoadedBench, *, serial: str = "") -> Plan:
    """Return the plan, proved. Raises FileProblems with everything that cannot be done on this bench."""
    steps = tuple(_step(index, *each) for index, each in enumerate(_conditions(sequence, bench, serial)))
    complaints = [*_whole(sequence, bench)]
    for step in steps:
        for complaint in _step_complaints(step, sequence, bench):
            if complaint not in complaints:
                complaints.append(complaint)
    if complaints:
        raise FileProblems(complaints)
    return Plan(sequence=sequence, bench=bench, steps=steps)


_At = tuple[str | int, ...]


def _conditions(
    sequence: LoadedSequence, bench: LoadedBench, serial: str
) -> Iterator[tuple[_At, CheckSettings, Conditions]]:
    """Yield for every step its place in the file, its settings and where it stands, in order."""
    alike = Conditions(
        bench=bench.bench,
        channel=None,
        frequency_hz=None,
        mode=sequence.sequence.mode,
        plan=sequence.plan,
        serial=serial,
        folder=sequence.path.parent,
    )
    for number, preparation in enumerate(sequence.sequence.prepare):
        yield ("prepare", number), ConfirmSettings(check="confirm", text=preparation.confirm), alike
    for number, settings in enumerate(sequence.sequence.checks):
        for channel in settings.channels:
            frequency_hz = None
            if channel is not None and sequence.plan is not None:
                frequency_hz = sequence.plan.frequencies_hz.get(channel)
            mode = settings.mode or alike.mode
            yield (
                ("checks", number),
                settings,
                replace(alike, channel=channel, frequency_hz=frequency_hz, mode=mode),
            )


def _step(index: int, at: _At, settings: CheckSettings, conditions: Conditions) -> Step:
    check = all_checks()[settings.check]
    ready = check.side == "none" or conditions.frequency_hz is not None
    forecast_s = check.forecast_s(settings, conditions) if ready else 0.0
    if check.side != "none":
        forecast_s += SIDE_CHANGE_S
    name = check.name.replace("_", " ")
    if isinstance(settings, ConfirmSettings):
        name, forecast_s = "confirm: " + settings.text, 0.0
    if settings.mode is not None:
        name += f", {settings.mode}"
    label = name if conditions.channel is None else f"{name}, channel {conditions.channel}"
    return Step(
        index=index,
        label=label,
        check=check,
        settings=settings,
        conditions=conditions,
        forecast_s=forecast_s,
        at=at,
    )


def _whole(sequence: LoadedSequence, bench: LoadedBench) -> Iterator[Complaint]:
    """Prove what belongs to no single check."""
    source = sequence.source
    supply_v = sequence.sequence.supply_v
    if supply_v is not None:
        entry = bench.bench.with_role("supply")
        if entry is None:
            yield source.complain(
                ("supply",),
                f"{supply_v:g} V is asked for and bench {bench.bench.bench!r} has no supply",
                allowed="a bench with a supply, or no 'supply'",
            )
        elif isinstance(entry[1], Supply) and supply_v > entry[1].max_voltage_v:
            yield source.complain(
                ("supply",),
                f"{supply_v:g} V is above max_voltage of {entry[0]}",
                allowed=f"at most {entry[1].max_voltage_v:g} V",
            )
    transmits = any(all_checks()[settings.check].side == "transmit" for settings in sequence.sequence.checks)
    if transmits:
        if sequence.sequence.rated_power_w is not None:
            for message, allowed in _power_trouble(sequence.sequence.rated_power_w, None, bench):
                yield source.complain(("rated_power",), message, allowed=allowed)
        yield from _key_time(bench)


def _key_time(bench: LoadedBench) -> Iterator[Complaint]:
    """Prove that the longest step and the longest release after it end inside the key-down limit (promise 2)."""
    radio = bench.bench.with_role("radio")
    if radio is None:
        return
    limit_s = bench.bench.protection.max_key_time_s
    release_s = longest_release_s(radio[1])
    step_s = max(2.0 * entry.timeout_s for entry in bench.bench.instruments.values())
    if step_s + release_s > limit_s:
        yield bench.source.complain(
            ("protection", "max_key_time") if "protection" in bench.source.root.entries else (),
            f"max_key_time {limit_s:g} s cannot be promised: with these time-outs a step may take {step_s:g} s "
            f"and a release {release_s:g} s",
            allowed=f"at least {step_s + release_s:g} s, or a shorter 'timeout' for the instruments",
        )


def _step_complaints(step: Step, sequence: LoadedSequence, bench: LoadedBench) -> Iterator[Complaint]:
    source, check = sequence.source, step.check
    yield from check.complaints(step.settings, step.conditions)
    if check.side == "none":
        return
    at_check = (*step.at, "check")
    missing = sorted((_SIDE_ROLES[check.side] | check.roles) - bench.bench.roles)
    if missing:
        yield source.complain(
            at_check,
            f"{check.name} needs {' and '.join(missing)}, and bench {bench.bench.bench!r} ({bench.path.name}) has none",
            allowed=f"a bench with {' and '.join(missing)}",
        )
    path = bench.bench.paths.receive if check.side == "receive" else bench.bench.paths.transmit
    if path is None:
        yield source.complain(
            at_check,
            f"{check.name} needs the {check.side} path, and {bench.path.name} describes none",
            allowed=f"'paths: {{{check.side}: …}}' in the bench file",
        )
    if step.conditions.mode not in check.modes:
        yield source.complain(
            at_check,
            f"{check.name} is not for {step.conditions.mode}",
            allowed=", ".join(sorted(check.modes)),
        )
    if step.conditions.frequency_hz is None:
        yield _channel_trouble(step, sequence)
    elif not missing and path is not None:
        for demand in check.demands(step.settings, step.conditions):
            for message, allowed in _demand_trouble(demand, step, bench):
                yield source.complain(
                    (*step.at, *_present(source, step.at, demand.at)), message, allowed=allowed
                )


def _channel_trouble(step: Step, sequence: LoadedSequence) -> Complaint:
    source, channel = sequence.source, step.conditions.channel
    if channel is None:
        return source.complain(
            (*step.at, "check"),
            f"{step.check.name} needs a channel",
            allowed="'channel: 20' or 'channel: [1, 20, 40]'",
        )
    place: tuple[Any, ...] = (*step.at, "channel")
    if isinstance(step.settings.channel, tuple):
        place = (*place, step.settings.channel.index(channel))
    if sequence.plan is None:
        return source.complain(
            place,
            f"channel {channel} has no frequency: the sequence names no plan",
            allowed="'channels: plans/cept-40.yaml'",
        )
    return source.complain(
        place, f"channel {channel} is not in the plan {sequence.plan.name!r}", allowed=sequence.plan.described
    )


def _demand_trouble(demand: Demand, step: Step, bench: LoadedBench) -> Iterator[tuple[str, str]]:
    frequency_hz = step.conditions.frequency_hz
    if demand.power_w is not None:
        yield from _power_trouble(demand.power_w, frequency_hz, bench)
    if demand.level_dbm is None or frequency_hz is None:
        return
    level_dbm, rating_dbm = demand.level_dbm, bench.bench.protection.max_receiver_input_dbm
    if level_dbm > rating_dbm:
        yield (
            f"{level_dbm:g} dBm is above the receiver's rating (max_receiver_input of {bench.path.name})",
            f"at most {rating_dbm:g} dBm",
        )
    entry, path = bench.bench.with_role("signal_generator"), bench.bench.paths.receive
    if entry is None or path is None or not isinstance(entry[1], SignalGenerator):
        return
    loss_db, offered = path.loss_db(frequency_hz), entry[1].level
    if not offered.min_dbm <= level_dbm + loss_db <= offered.max_dbm:
        yield (
            f"{level_dbm:g} dBm at the antenna connector is outside what the generator offers through {loss_db:g} dB of path",
            f"{offered.min_dbm - loss_db:.1f} to {offered.max_dbm - loss_db:.1f} dBm",
        )


def _power_trouble(
    power_w: float, frequency_hz: float | None, bench: LoadedBench
) -> Iterator[tuple[str, str]]:
    path, meter = bench.bench.paths.transmit, bench.bench.with_role("power_meter")
    if path is None:
        return
    if power_w > path.rating_w:
        yield (
            f"{power_w:g} W is above the rating of the transmit path in {bench.path.name}",
            f"at most {path.rating_w:g} W",
        )
    if meter is None or not isinstance(meter[1], PowerMeter) or meter[1].max_power_w is None:
        return
    loss_db = min(path.loss.values()) if frequency_hz is None else path.loss_db(frequency_hz)
    most_w = w_from_dbm(dbm_from_w(meter[1].max_power_w) + loss_db)
    if power_w > most_w:
        yield (
            f"{power_w:g} W through {loss_db:g} dB is more than max_power of {meter[0]} in {bench.path.name}",
            f"at most {most_w:.3g} W",
        )


def _present(source: Any, at: tuple[str | int, ...], below: tuple[str, ...]) -> tuple[str, ...]:
    """Return as much of ``below`` as stands in the file: a demand may come from a default."""
    node = source.find(at)
    kept: list[str] = []
    for key in below:
        if key not in node.entries:
            break
        kept.append(key)
        node = node.entries[key][1]
    return tuple(kept) or ("check",)
