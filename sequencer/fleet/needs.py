"""What a sequence needs and a bench can, as short texts that one machine writes into the queue and another reads.

They choose among benches beforehand, and say at once where none will do. The bench's own plan has the last word.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from sequencer.checks import find_check
from sequencer.checks.settings import CheckSettings
from sequencer.inputs.bench_parts.instrument_roles import Supply
from sequencer.inputs.bench_parts.paths import MOST_BEYOND, LossyPath
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load import LoadedSequence
from sequencer.planning.proving.proof import SIDE_ROLES, UNIT_SIDES
from sequencer.units.format import counted, format_quantity

_PERSON = "person"
"""Somebody who reads a dial or moves cables: no worker has that."""
_UNIT = "unit"
MOST_NAMED = 6
"""Units of a bench that are named."""
_CONFIRMED = "confirmed"
"""That everything a sequence asks to confirm has been set."""


def needs_of(sequence: LoadedSequence, *, bench: str = "") -> tuple[str, ...]:
    """Return what a bench must have for the sequence: roles, paths with their frequencies, power, supply. ``bench`` names the only one."""
    return tuple(sorted(set(_needs(sequence, bench))))


def _needs(sequence: LoadedSequence, bench: str) -> Iterator[str]:
    settings = sequence.sequence
    if bench:
        yield f"bench:{bench}"
    if settings.prepare:
        yield _CONFIRMED
    if settings.supply_v is not None:
        yield "role:supply"
        highest_v = [v for one in settings.checks if one.at is not None for v in one.at.supply_v or ()]
        yield f"supply_v:{max([settings.supply_v, *highest_v]):g}"
    for one in settings.checks:
        yield from _of_check(one)
        if one.at is not None and one.at.temperature_c is not None:
            yield "role:chamber"
    sides = {find_check(one.check).side_of(one) for one in settings.checks}
    if "transmit" in sides and settings.rated_power_w is not None:
        yield f"power_w:{settings.rated_power_w:g}"
    for unit_side in UNIT_SIDES:
        if found := list(_frequencies_hz(sequence, unit_side)):
            yield f"{unit_side}_hz:{min(found):.0f}-{max(found):.0f}"


def _of_check(settings: CheckSettings) -> Iterator[str]:
    check = find_check(settings.check)
    side = check.side_of(settings)
    if settings.check == "confirm":
        yield _CONFIRMED
    if settings.check == "enter_reading" or check.moves_cables(settings):
        yield _PERSON
    if side == "none":
        return
    for role in SIDE_ROLES[side] | check.roles_of(settings):
        yield f"role:{role}"
    if check.generators > 1:
        yield f"generators:{check.generators}"
    if side in UNIT_SIDES:
        yield f"path:{side}"


def _frequencies_hz(sequence: LoadedSequence, side: str) -> Iterator[float]:
    """Yield the frequencies on which checks measure on a side; a check without a channel may stand on any of the plan."""
    plan = sequence.frequencies_hz
    for one in sequence.sequence.checks:
        if find_check(one.check).side_of(one) != side:
            continue
        for channel in one.channels:
            if channel is None:
                yield from plan.values()
            elif channel in plan:
                yield plan[channel]


def can_of(loaded: LoadedBench, *, confirmed: bool, units: Iterable[str] = ()) -> tuple[str, ...]:
    """Return what the bench has; ``confirmed``: its worker was told that everything that sequences ask to confirm has been set.

    ``units`` are those that are connected to it, or lie on its shelf; without any it may be given every unit.
    """
    return tuple(sorted({*_can(loaded, confirmed), *(f"{_UNIT}:{one}" for one in units)}))


def _can(loaded: LoadedBench, confirmed: bool) -> Iterator[str]:
    bench = loaded.bench
    yield f"bench:{bench.bench}"
    if confirmed:
        yield _CONFIRMED
    for role in bench.roles:
        yield f"role:{role}"
    yield f"generators:{len(bench.all_with_role('signal_generator'))}"
    supply = bench.with_role("supply")
    if supply is not None and isinstance(supply[1], Supply):
        yield f"supply_v:{supply[1].max_voltage_v:g}"
    if bench.paths.receive is not None:
        yield "path:receive"
        yield f"receive_hz:{_span(bench.paths.receive)}"
    if bench.paths.transmit is not None:
        yield "path:transmit"
        yield f"transmit_hz:{_span(bench.paths.transmit)}"
        yield f"power_w:{bench.paths.transmit.rating_w:g}"


def _span(path: LossyPath) -> str:
    """Return the frequencies for which the loss of a path is known, Hz."""
    return f"{min(path.loss) * (1.0 - MOST_BEYOND):.0f}-{max(path.loss) * (1.0 + MOST_BEYOND):.0f}"


def lacks_unit(serial: str, can: Iterable[str]) -> str:
    """Return that a bench will not get this unit, in words; empty where it may."""
    units = [one.partition(":")[2] for one in can if one.startswith(f"{_UNIT}:")]
    if not units or serial in units:
        return ""
    named = ", ".join(units[:MOST_NAMED]) + (
        f" and {len(units) - MOST_NAMED} more" if len(units) > MOST_NAMED else ""
    )
    return f"unit {serial} is not connected to it; it has {named}"


def lacking(needs: Iterable[str], can: Sequence[str]) -> list[str]:
    """Return in words what of ``needs`` is not in ``can``; nothing where the bench will do as far as this tells."""
    has: dict[str, list[str]] = {}
    for one in can:
        kind, _, what = one.partition(":")
        has.setdefault(kind, []).append(what)
    found: list[str] = []
    for one in needs:
        kind, _, what = one.partition(":")
        if said := _lacking(kind, what, has.get(kind, [])):
            found.append(said)
    return found


def _lacking(kind: str, what: str, has: Sequence[str]) -> str:
    match kind:
        case "role":
            return "" if what in has else f"it has no {what}"
        case "path":
            return "" if what in has else f"its file describes no {what} path"
        case "bench":
            return "" if what in has else f"the job is for bench {what}"
        case "generators" | "supply_v" | "power_w":
            return _too_little(kind, float(what), [float(one) for one in has])
        case "receive_hz" | "transmit_hz":
            return _out_of_span(kind.removesuffix("_hz"), what, has)
        case "confirmed":
            return (
                ""
                if has
                else "its worker was not told that what the sequence asks to confirm is set (--confirmed)"
            )
        case "person":
            return "a person must read a dial or move cables, and nobody stands at a worker"
    return f"{kind} is not known to this sequencer"  # of a newer one


def _too_little(kind: str, wanted: float, has: Sequence[float]) -> str:
    most = max(has, default=0.0)
    if most >= wanted:
        return ""
    return {
        "generators": f"it has {counted(round(most), 'signal generator')}, and {wanted:g} are needed",
        "supply_v": f"its supply gives at most {most:g} V, and {wanted:g} V are needed",
        "power_w": f"its transmit path takes at most {most:g} W, and the unit has {wanted:g} W",
    }[kind]


def _out_of_span(side: str, wanted: str, has: Sequence[str]) -> str:
    low_hz, high_hz = map(float, wanted.split("-"))
    for one in has:
        from_hz, to_hz = map(float, one.split("-"))
        if from_hz <= low_hz and high_hz <= to_hz:
            return ""
    if not has:
        return ""  # it has no such path, which is said
    known = " and ".join(_span_text(*map(float, one.split("-"))) for one in has)
    return f"the loss of its {side} path is known for {known}, and {_span_text(low_hz, high_hz)} is needed"


def _span_text(low_hz: float, high_hz: float) -> str:
    low, high = format_quantity(low_hz, "Hz"), format_quantity(high_hz, "Hz")
    return low if low == high else f"{low} to {high}"
