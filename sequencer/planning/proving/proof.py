"""The proof: what can be said against a plan before the first byte is sent."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from drivers.operator.lacking import CANNOT_READ
from drivers.profiled.commands import INTERFERER_ROLE, commands_of
from sequencer.checks import find_check
from sequencer.checks.finding import Demand
from sequencer.checks.settings import CheckSettings
from sequencer.files.shipped import shipped_names
from sequencer.inputs.bench import check_rating_dbm, longest_release_s, max_meter_dbm
from sequencer.inputs.bench_parts.instrument_roles import Instrument, SignalGenerator, Supply
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load import LoadedSequence
from sequencer.planning.step import Step
from sequencer.problems import Complaint, listed
from sequencer.units.convert import dbm_from_w, w_from_dbm

SIDE_ROLES = {
    "receive": frozenset({"radio", "switch", "signal_generator"}),
    "transmit": frozenset({"radio", "switch"}),
    "loss": frozenset({"signal_generator", "power_meter"}),
}
ORDINARY_INPUT_W = 1.0  # of a spectrum analyser, where none is stated: common practice, no source
UNIT_SIDES = ("receive", "transmit")
"""The sides on which a unit is measured, which need a channel and a path."""


def whole_complaints(
    sequence: LoadedSequence, bench: LoadedBench, chosen: Sequence[CheckSettings]
) -> Iterator[Complaint]:
    """Prove what belongs to no single check."""
    source = sequence.source
    supply_v = sequence.sequence.supply_v
    entry = bench.bench.with_role("supply")
    if supply_v is None and entry is not None and _on_a_unit(chosen):
        yield source.complain(
            ("sequence",),
            f"{entry[0]} is off when the bench opens, and the sequence does not say what the unit is fed with",
            allowed="'supply: 13.2 V' here or in the unit's model file, or a bench file that leaves out a supply which is set by hand",
        )
    if supply_v is not None:
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
    if sequence.plan is None and (needing := _on_a_unit(chosen)):
        yield source.complain(
            ("sequence",),
            f"the sequence names no channel plan, so that {listed(dict.fromkeys(needing))} have no frequency",
            allowed="'channels:', here or in the unit's model file, with a plan of your own or a shipped one: "
            f"{listed(shipped_names('plan'))}",
        )
    transmits = any(find_check(one.check).side_of(one) == "transmit" for one in chosen)
    if transmits:
        if sequence.sequence.rated_power_w is not None:
            for message, allowed in _power_faults(sequence.sequence.rated_power_w, None, bench):
                yield source.complain(("rated_power",), message, allowed=allowed)
        yield from _key_time(bench, keyed_roles(chosen))


def _on_a_unit(chosen: Sequence[CheckSettings]) -> list[str]:
    """Return the checks that key or listen, in the file's order."""
    return [one.check for one in chosen if find_check(one.check).side_of(one) in UNIT_SIDES]


def keyed_roles(chosen: Sequence[CheckSettings]) -> frozenset[str]:
    """Return the roles that are set or read while ``chosen`` checks key the unit: the others may answer as slowly as they like."""
    found = {"radio"}
    for one in chosen:
        check = find_check(one.check)
        if check.side_of(one) == "transmit":
            found |= check.roles_of(one)
    return frozenset(found)


def _key_time(bench: LoadedBench, roles: frozenset[str]) -> Iterator[Complaint]:
    """Prove that the longest step and the longest release after it end inside the key-down limit (promise 2)."""
    limit_s = bench.bench.protection.max_key_time_s
    step_s, release_s = longest_s(bench, roles)
    radio = bench.bench.with_role("radio")
    # No program releases a key that a person holds: there the prompts say for how long.
    if radio is not None and not radio[1].manual and step_s + release_s > limit_s:
        yield bench.source.complain(
            ("protection", "max_key_time") if "protection" in bench.source.root.entries else (),
            f"max_key_time {limit_s:g} s cannot be promised: with these time-outs a step may take {step_s:g} s "
            f"and a release {release_s:g} s",
            allowed=f"at least {step_s + release_s:g} s, or a shorter 'timeout' for the instruments",
        )


def longest_s(bench: LoadedBench, roles: frozenset[str]) -> tuple[float, float]:
    """Return how long a step of one of ``roles`` and a release can take on this bench, with every answer as late as its time-out, s."""
    radio = bench.bench.with_role("radio")
    release_s = longest_release_s(radio[1]) if radio is not None else 0.0
    used = [2.0 * entry.timeout_s for entry in bench.bench.instruments.values() if entry.role in roles]
    return max(used, default=0.0), release_s


def step_complaints(step: Step, sequence: LoadedSequence, bench: LoadedBench) -> Iterator[Complaint]:
    """Prove what one step needs of the files, the bench and the channel plan."""
    source, check, side = sequence.source, step.check, step.side
    yield from check.complaints(step.settings, step.conditions)
    if side == "none":
        return
    at_check = (*step.at, "check")
    missing = sorted((SIDE_ROLES[side] | check.roles_of(step.settings)) - bench.bench.roles)
    if missing:
        yield source.complain(
            at_check,
            f"{check.name} needs {' and '.join(missing)}, and bench {bench.bench.bench!r} ({bench.path.name}) has none",
            allowed=f"a bench with {' and '.join(missing)}",
        )
    generators = bench.bench.all_with_role("signal_generator")
    if 0 < len(generators) < check.generators:
        missing.append("interferer")
        yield source.complain(
            at_check,
            f"{check.name} needs a second signal generator, and bench {bench.bench.bench!r} ({bench.path.name}) has none",
            allowed="an entry 'interferer: {role: signal_generator, …}', combined into the receive path",
        )
    for message, allowed in _lacking(step, bench):
        yield source.complain(at_check, message, allowed=allowed)
    if side == "loss":
        yield from _loss_complaints(step, sequence, bench)
        return
    path = bench.bench.paths.receive if side == "receive" else bench.bench.paths.transmit
    if path is None:
        yield source.complain(
            at_check,
            f"{check.name} needs the {side} path, and {bench.path.name} describes none",
            allowed=f"'paths: {{{side}: …}}' in the bench file",
        )
    if step.conditions.mode not in check.modes:
        yield _of_another_mode(sequence, step.at, check.name, step.conditions.mode, check.modes)
    if step.conditions.frequency_hz is None:
        if sequence.plan is not None or step.conditions.channel is None:
            yield _channel_complaint(step, sequence)
    elif not missing and path is not None:
        yield from _uncertainty_complaints(step, sequence)
        yield from _demand_complaints(step, source, bench)


def _demand_complaints(step: Step, source: Any, bench: LoadedBench) -> Iterator[Complaint]:
    """Prove each demand of a check; of a level beside one that was refused nothing is said."""
    told = set()
    for demand in step.check.demands(step.settings, step.conditions):
        if demand.because and demand.at in told:
            continue
        for message, allowed in _demand_faults(demand, step, bench):
            told.add(demand.at)
            yield source.complain((*step.at, *_present(source, step.at, demand.at)), message, allowed=allowed)


def _uncertainty_complaints(step: Step, sequence: LoadedSequence) -> Iterator[Complaint]:
    """Refuse a row whose greatest uncertainty no result of its check could be held against: it would never be."""
    row = sequence.rows.at(step.at)
    if row is None or row.greatest is None:
        return
    units = [unit for _, unit in step.check.quantities(step.settings)]
    if units and not any(map(row.greatest.compares, units)):
        yield sequence.source.complain(
            (*step.at[:2], "limits_from", "row"),
            f"the greatest uncertainty of the row {row.name!r} is {row.greatest.text}, "
            f"and {step.check.name} gives results in {listed(dict.fromkeys(units))}",
            allowed="level (dB) of W, V, dBm and dB; share (%) of all but dB, dBm and %; of_carrier (ppm) and difference of Hz",
        )


def complaints_without_bench(sequence: LoadedSequence) -> Iterator[Complaint]:
    """Prove what needs no bench, where that cannot be read: channels that the plan has not, checks of another mode."""
    stated = sequence.sequence
    for number, settings in enumerate(stated.checks):
        at, check = ("checks", number), find_check(settings.check)
        if check.side_of(settings) not in UNIT_SIDES:
            continue
        for mode in (one or stated.mode for one in settings.modes):
            if mode not in check.modes:
                yield _of_another_mode(sequence, at, check.name, mode, check.modes)
        if sequence.plan is not None:
            for channel in settings.channels:
                if channel is not None and channel not in sequence.plan.frequencies_hz:
                    yield _no_such_channel(sequence, at, settings, channel)


def _lacking(step: Step, bench: LoadedBench) -> Iterator[tuple[str, str]]:
    """Yield which commands the step needs and a profile of the bench has not: what was found, what is allowed."""
    generators = bench.bench.all_with_role("signal_generator")
    for role, command in sorted(step.check.commands(step.settings, step.conditions)):
        found = generators[1:] if role == INTERFERER_ROLE else bench.bench.all_with_role(role)
        entry = found[0] if found else None
        if entry is None:
            continue
        if (role, command) == ("radio", "preset") and entry[1].driver in ("text", "operator"):
            yield from _no_presets(step, *entry, bench)
        if entry[1].driver == "operator" and command in CANNOT_READ.get(entry[1].role, ()):
            yield (
                f"{step.check.name} needs {command!r} of {entry[0]}, and a person reads {entry[0]} on this bench, who cannot",
                f"a bench whose {entry[0]} answers by itself, or the sequence without this check",
            )
        # a person reads what is on the dial, and a driver in Python may have a way of its own
        if entry[1].driver != "profile":
            continue
        name, profile = entry[0], bench.profiles[entry[0]]
        if command in profile.commands:
            continue
        meaning = commands_of(profile.role)[command].meaning
        where = bench.lacking.get(name, {}).get(command)
        says = f"{where} says that it lacks that" if where else f"its profile {profile.profile!r} has none"
        yield (
            f"{step.check.name} needs {command!r} of {name} ({meaning}), and {says}",
            f"a bench whose {name} has it, or the command {command!r} in its profile",
        )


def _no_presets(step: Step, name: str, entry: Instrument, bench: LoadedBench) -> Iterator[tuple[str, str]]:
    """Yield that the settings of a radio of text lines, or of one that a person sets, cannot be written and read back."""
    turned = "'turn' in place of 'write', for a person who sets it"
    if entry.driver == "operator":
        yield f"{step.check.name} writes a setting of {name}, and a person sets {name} on this bench", turned
        return
    profile = bench.profiles[name]
    known = profile.commands.get("preset")
    if known is None or not known.query:
        lacks = "has no command 'preset'" if known is None else "cannot ask for 'preset'"
        yield (
            f"{step.check.name} writes a setting of {name}, and its profile {profile.profile!r} {lacks}",
            f"'preset' with 'set', 'query' and 'pattern' in the radio's profile; or {turned}",
        )


def _loss_complaints(step: Step, sequence: LoadedSequence, bench: LoadedBench) -> Iterator[Complaint]:
    """Prove what a person's cables will carry: no unit takes part, and nothing is lost before the power meter."""
    source = sequence.source
    entry = bench.bench.with_role("signal_generator")
    most_dbm, bears = max_meter_dbm(bench.bench), "the power meter may be given"
    if step.check.hand_path(step.settings) == "check":
        most_dbm, bears = (
            min(most_dbm, check_rating_dbm(bench.bench)),
            "power meter and check path may be given",
        )
    told = set()
    for demand in step.check.demands(step.settings, step.conditions):
        at = (*step.at, *_present(source, step.at, demand.at))
        if demand.refused:
            yield source.complain(at, demand.refused, allowed=demand.allowed)
        level_dbm = demand.level_dbm
        if level_dbm is None or entry is None or not isinstance(entry[1], SignalGenerator):
            continue
        offered = entry[1].level
        beside_refused = demand.because and demand.at in told
        if not beside_refused and not offered.min_dbm <= level_dbm <= min(offered.max_dbm, most_dbm):
            told.add(demand.at)
            yield source.complain(
                at,
                f"{level_dbm:g} dBm{_because(demand)} is outside what {entry[0]} offers and {bears}",
                allowed=_allowed_level(demand, offered.min_dbm, min(offered.max_dbm, most_dbm)),
            )


def _channel_complaint(step: Step, sequence: LoadedSequence) -> Complaint:
    source, channel = sequence.source, step.conditions.channel
    if channel is None:
        return source.complain(
            (*step.at, "check"),
            f"{step.check.name} needs a channel",
            allowed="'channel: 20' or 'channel: [1, 20, 40]'",
        )
    return _no_such_channel(sequence, step.at, step.settings, channel)


def _no_such_channel(
    sequence: LoadedSequence, at: tuple[str | int, ...], settings: CheckSettings, channel: int
) -> Complaint:
    place: tuple[Any, ...] = (*at, "channel")
    if settings.at is not None and settings.at.channel is not None:
        place = (*at, "at", "channel", settings.at.channel.index(channel))
    elif isinstance(settings.channel, tuple):
        place = (*place, settings.channel.index(channel))
    assert sequence.plan is not None
    return sequence.source.complain(
        place, f"channel {channel} is not in the plan {sequence.plan.name!r}", allowed=sequence.plan.described
    )


def _of_another_mode(
    sequence: LoadedSequence, at: tuple[str | int, ...], name: str, mode: str, modes: Iterable[str]
) -> Complaint:
    return sequence.source.complain(
        (*at, "check"), f"{name} is not for {mode}", allowed=", ".join(sorted(modes))
    )


def _demand_faults(demand: Demand, step: Step, bench: LoadedBench) -> Iterator[tuple[str, str]]:
    frequency_hz = step.conditions.frequency_hz
    if demand.refused:
        yield demand.refused, demand.allowed
    if demand.power_w is not None:
        yield from _power_faults(demand.power_w, frequency_hz, bench)
    if demand.level_dbm is None or frequency_hz is None:
        return
    level_dbm, rating_dbm = demand.level_dbm, bench.bench.protection.max_receiver_input_dbm
    if level_dbm > rating_dbm:
        yield (
            f"{level_dbm:g} dBm is above the receiver's rating (max_receiver_input of {bench.path.name})",
            f"at most {rating_dbm:g} dBm",
        )
    generators, path = bench.bench.all_with_role("signal_generator"), bench.bench.paths.receive
    if not generators or path is None:
        return
    name, generator = generators[1 if demand.interferer and len(generators) > 1 else 0]
    if not isinstance(generator, SignalGenerator):
        return
    loss_db, offered = path.loss_db(frequency_hz), generator.level
    if not offered.min_dbm <= level_dbm + loss_db <= offered.max_dbm:
        called = name if demand.interferer else "the generator"
        where = f"at the antenna connector{_because(demand)} is outside what {called} offers"
        yield (
            f"{level_dbm:g} dBm {where} through {loss_db:.2f} dB of path",
            _allowed_level(demand, offered.min_dbm - loss_db, offered.max_dbm - loss_db),
        )


def _because(demand: Demand) -> str:
    """Return what a level is for that is not the setting itself, as an aside."""
    return f" ({demand.because})" if demand.because else ""


def _allowed_level(demand: Demand, low_dbm: float, high_dbm: float) -> str:
    """Return what is allowed of the setting that a level comes from, where a generator offers ``low_dbm`` to ``high_dbm`` there."""
    if demand.because and demand.apart_db is None:
        return f"a generator that offers it: this one offers {low_dbm:.1f} to {high_dbm:.1f} dBm there"
    apart_db = demand.apart_db or 0.0
    return f"{low_dbm - min(apart_db, 0.0):.1f} to {high_dbm - max(apart_db, 0.0):.1f} dBm"


def _power_faults(
    power_w: float, frequency_hz: float | None, bench: LoadedBench
) -> Iterator[tuple[str, str]]:
    path = bench.bench.paths.transmit
    if path is None:
        return
    if power_w > path.rating_w:
        yield (
            f"{power_w:g} W is above the rating of the transmit path in {bench.path.name}",
            f"at most {path.rating_w:g} W",
        )
    loss_db = min(path.loss.values()) if frequency_hz is None else path.loss_db(frequency_hz)
    for name, bears_w in _behind_the_path(bench):
        most_w = w_from_dbm(dbm_from_w(bears_w) + loss_db)
        if power_w > most_w:
            yield (
                f"{power_w:g} W through {loss_db:.2f} dB is more than max_power of {name} in {bench.path.name}",
                f"at most {most_w:.3g} W",
            )


def _behind_the_path(bench: LoadedBench) -> Iterator[tuple[str, float]]:
    """Yield what hangs on the transmit path whether or not a check reads by it, with the most that it bears, W."""
    meter = bench.bench.with_role("power_meter")
    if meter is not None and meter[1].max_power_w is not None:
        yield meter[0], meter[1].max_power_w
    analyser = bench.bench.with_role("spectrum_analyser")
    if analyser is not None:
        bears_w = analyser[1].max_power_w
        yield analyser[0], ORDINARY_INPUT_W if bears_w is None else bears_w


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
