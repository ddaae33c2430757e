"""The page of all roles: what an instrument in each can do, and what its entry in a bench file says."""

from __future__ import annotations

import inspect
import re
import types
from collections.abc import Iterator
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from drivers import faults, roles
from drivers.registry import OPERATED, PROFILED, TEXT, driver_names
from sequencer.files.shipped import find_file
from sequencer.inputs.bench_parts.instrument_drivers import Linked
from sequencer.inputs.bench_parts.instrument_roles import ENTRIES, INSTALLED, ROLE_MODELS, role_of
from sequencer.inputs.bench_parts.instruments import AnyEntry
from sequencer.reference.markdown import code, link, page, prose, table
from sequencer.reference.settings_table import settings_table

COMMON = frozenset(AnyEntry.model_fields)
LINKED = COMMON | frozenset(Linked.model_fields)
CLASSES: dict[str, type[Any]] = {
    "signal_generator": roles.SignalGenerator,
    "power_meter": roles.PowerMeter,
    "modulation_analyser": roles.ModulationAnalyser,
    "audio_analyser": roles.AudioAnalyser,
    "voltmeter": roles.Voltmeter,
    "supply": roles.Supply,
    "switch": roles.Switch,
    "radio": roles.Radio,
    "spectrum_analyser": roles.SpectrumAnalyser,
    "chamber": roles.Chamber,
}
INTRODUCTION = """\
# Roles

Written by `sequencer reference roles` from the roles themselves; do not edit it by hand.

A role is what an instrument on the bench can do, whoever made it. A driver fills it: `profile` says the role's commands in the words
of a command profile (see [profiles.md](profiles.md)), `operator` asks the person at the terminal, `text` speaks to a radio in lines of
text, and installed packages bring others through the entry-point group `sequencer.drivers`. Installed here: {drivers}.

A driver's class must offer the methods marked *must*. It may offer the others; a check that needs one it does not offer is refused
by name when it is asked for. Quantities are in the unit that their name ends in: Hz, V, A, s, dBm, dB, percent.

{listed}

## Every instrument's entry

An entry of `instruments:` stands under the name of its role, or under a name of its own with `role`. A second signal generator is
named `interferer`. Accuracies are half-widths of a rectangular distribution. An entry takes only the keys that its role and its
driver use; any other is refused with the keys that would do.

{entry}

An instrument with an address (any driver but `operator`) also takes:

{linked}

An installed package's driver also takes `settle`, in every role.

## Every instrument

{instrument}

Beside its name and address an instrument says whether a person works it (`manual`).

## Readings

A reading is a number or the reason why there is none: {states}. A special value of an instrument never becomes a number.

## Faults

Every method may raise one of these. Each says the instrument, its address, the command, what came back and the next move.

{faults}
"""


def roles_page() -> str:
    """Return the page."""
    listed = [(link(role), prose(cls.__doc__).partition("\n\n")[0]) for role, cls in CLASSES.items()]
    head = INTRODUCTION.format(
        drivers=", ".join(map(code, driver_names())),
        listed=table(("role", "what it is"), listed),
        entry=settings_table(AnyEntry),
        linked=settings_table(Linked, without=COMMON),
        instrument=_methods(roles.Instrument),
        states=", ".join(
            code(state.value) for state in roles.RangeState if state is not roles.RangeState.IN_RANGE
        ),
        faults=table(("fault", "what happened"), _faults()),
    )
    return page(head.rstrip(), *map(_section, CLASSES))


def _section(role: str) -> str:
    cls = CLASSES[role]
    drivers = [
        name
        for name, offered in (("profile", PROFILED), ("operator", OPERATED), ("text", TEXT))
        if role in offered
    ]
    parts = [
        f"## {role}",
        prose(cls.__doc__),
        f"Drivers: {', '.join(map(code, drivers))}.",
        _methods(cls),
        *_entry_tables(role),
        f"```yaml\n{_shipped_entry(role)}\n```",
    ]
    return "\n\n".join(parts)


def _entry_tables(role: str) -> Iterator[str]:
    """Yield the keys that only this role's entry takes: with every driver, then with each."""
    model = ROLE_MODELS[role]
    own = settings_table(model, without=COMMON)
    yield (
        f"Its entry takes, beside what every entry takes:\n\n{own}"
        if own
        else "Its entry takes what every entry takes."
    )
    for driver, models in ENTRIES.items():
        known = frozenset(model.model_fields) | (
            COMMON if driver == "operator" else LINKED if driver != "text" else LINKED - {"address"}
        )
        for one in models:
            further = settings_table(one, without=known) if role_of(one) == role else ""
            if further and driver not in (INSTALLED, "text"):
                yield f"With `driver: {driver}` also:\n\n{further}"
            elif further and driver == "text":
                yield f"With `driver: text` also (its `address` may be a serial device):\n\n{further}"


def _shipped_entry(role: str) -> str:
    """Return the role's entry as it stands in the first of the shipped bench files that has one."""
    for name in ("bench", "spectrum-bench", "chamber-bench"):
        text = find_file(name, "bench").read_text(encoding="utf-8")
        if match := re.search(rf"^  {role}:.*\n(?:    .*\n)*", text, re.MULTILINE):
            return "instruments:\n" + match[0].rstrip()
    raise LookupError(f"no shipped bench has a {role}")


def _methods(cls: type[Any]) -> str:
    rows = [
        (
            code(name + _signature(method)),
            "must" if name in cls.__abstractmethods__ else "may",
            prose(method.__doc__),
        )
        for name, method in vars(cls).items()
        if inspect.isfunction(method) and not name.startswith("_")
    ]
    return table(("method", "", "what it does"), rows)


def _signature(method: Any) -> str:
    """Return parameters and result as a reader needs them: without self, and words spelt out."""
    hints = get_type_hints(method)
    taken = []
    for name, one in inspect.signature(method).parameters.items():
        if name != "self":
            default = "" if one.default is inspect.Parameter.empty else f" = {one.default!r}"
            taken.append(f"{name}: {_type(hints[name])}{default}")
    result = "" if hints["return"] is type(None) else f" -> {_type(hints['return'])}"
    return f"({', '.join(taken)}){result}"


def _type(hint: Any) -> str:
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Literal:
        return " or ".join(f'"{one}"' for one in inner)
    if origin in (Union, types.UnionType):
        return " or ".join(map(_type, inner))
    if inner:
        return f"{_type(origin)}[{', '.join(map(_type, inner))}]"
    return "None" if hint is type(None) else str(getattr(hint, "__name__", hint))


def _faults() -> Iterator[tuple[str, str]]:
    """Yield every fault, the general ones before the kinds of them."""

    def below(cls: type[Any], depth: int) -> Iterator[tuple[str, str]]:
        yield "&nbsp;" * 4 * depth + code(cls.__name__), prose(cls.__doc__)
        for one in cls.__subclasses__():
            if one.__module__ == faults.__name__:
                yield from below(one, depth + 1)

    yield from below(faults.InstrumentFault, 0)
