"""What a plan's checks read by instruments that no figure known beforehand proves, because their profiles have no reading of it."""

from __future__ import annotations

from collections.abc import Iterable

from sequencer.planning.plan import Plan
from sequencer.planning.step import Step

PROVED_BY = {
    ("transmit", "modulation_analyser"): ("carrier_frequency", "the carrier's frequency"),
    ("receive", "audio_analyser"): ("audio_frequency", "the loudspeaker's tone"),
}
"""By side and role: the command whose answer is known beforehand, and what it is."""


def unproved_reading(plan: Plan, step: Step) -> tuple[str, str, str] | None:
    """Return the instrument that a step reads by without that proof, the command its profile has not, and of what; None where it has."""
    for (side, role), (command, of) in PROVED_BY.items():
        if step.side != side or role not in step.check.roles_of(step.settings):
            continue
        entry = plan.bench.bench.with_role(role)
        # a person sees the needle move, and a driver in Python may have a way of its own
        if entry is None or entry[1].driver != "profile":
            continue
        if command not in plan.bench.profiles[entry[0]].commands:
            return entry[0], command, of
    return None


def unproved_note(plan: Plan, step: Step) -> str:
    """Return in words, for a result, that its readings lack that proof; nothing where they have it."""
    found = unproved_reading(plan, step)
    if found is None:
        return ""
    name, command, of = found
    return f"that {name} read this unit is not proved by {of}: its profile has no {command!r}"


def unproved_readings(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return each instrument and command, as text, with the names of the checks whose readings lack that proof, in the plan's order."""
    found: dict[str, dict[str, None]] = {}
    for step in plan.steps:
        if (one := unproved_reading(plan, step)) is not None:
            found.setdefault(f"{one[0]}.{one[1]}", {})[step.check.name] = None
    return {key: tuple(checks) for key, checks in found.items()}


def unproved_channels(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return the radio's name with the checks of transmitters whose channel rests on its word: no analyser counts the carrier."""
    bench = plan.bench.bench
    entry = bench.with_role("modulation_analyser")
    if entry is not None:
        name, analyser = entry
        is_asked = analyser.driver != "profile" or "carrier_frequency" in plan.bench.profiles[name].commands
        if is_asked and not analyser.manual:
            return {}
    radio = bench.with_role("radio")
    found = {step.check.name: None for step in plan.steps if step.side == "transmit" and step.conditions.plan}
    return {radio[0]: tuple(found)} if radio is not None and found else {}


def unheld_carriers(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return the spectrum analyser's name with the checks that read by it alone, and before which none holds a carrier to the meter.

    A check of a keyed unit by that analyser holds its carrier wherever it reads by the power meter too.
    """
    entry, found = plan.bench.bench.with_role("spectrum_analyser"), unheld_checks(plan.steps)
    return {entry[0]: found} if entry is not None and found else {}


def unheld_checks(steps: Iterable[Step]) -> tuple[str, ...]:
    """Return the names of the checks among ``steps`` before which none of them holds a carrier of the spectrum analyser to the meter."""
    found: dict[str, None] = {}
    for step in steps:
        roles = step.check.roles_of(step.settings) if step.side == "transmit" else frozenset()
        if "spectrum_analyser" not in roles:
            continue
        if "power_meter" in roles:
            break
        found[step.check.name] = None
    return tuple(found)
