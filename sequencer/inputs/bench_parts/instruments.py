"""The entries of a bench file's `instruments`: one model for each role and driver, with the keys that those two use.

What a role needs of the bench is in `instrument_roles`; what reaching it needs is in `instrument_drivers`. An entry is read as both
together; `ENTRIES` lists them all.
"""

from collections.abc import Iterable, Mapping
from functools import cache, partial
from typing import Annotated, Any, Union

from pydantic import ConfigDict, Discriminator, Tag, create_model, field_validator

from sequencer.inputs.bench_parts.instrument_drivers import (
    AskedKeyed,
    AskedUnkeyed,
    Installed,
    OperatorPowerMeter,
    OperatorSignalGenerator,
    OperatorVoltmeter,
    Profiled,
    Settling,
    TextRadio,
    Watched,
)
from sequencer.inputs.bench_parts.instrument_roles import (
    ENTRIES,
    INSTALLED,
    ROLE_MODELS,
    ROLES,
    Instrument,
)
from sequencer.problems import FieldProblem, did_you_mean, listed

ROLES_READ_KEYED = ("power_meter", "modulation_analyser", "spectrum_analyser", "audio_analyser", "supply")
"""The roles that are set or read on the transmit side."""


def _entry(name: str, doc: str, *bases: type[Instrument]) -> type[Instrument]:
    return create_model(name, __base__=bases, __doc__=doc, __module__=__name__)


@cache
def _profiled(role: str) -> type[Instrument]:
    model = ROLE_MODELS[role]
    waits = (Settling,) if role != "radio" else ()
    return _entry(f"Profiled{model.__name__}", model.__doc__ or "", Profiled, *waits, *_watched(role), model)


@cache
def _installed(role: str) -> type[Instrument]:
    model = ROLE_MODELS[role]
    return _entry(f"Installed{model.__name__}", model.__doc__ or "", Installed, *_watched(role), model)


def _watched(role: str) -> tuple[type[Instrument], ...]:
    return (Watched,) if role in ("radio", "supply") else ()


@cache
def _operated(role: str) -> type[Instrument]:
    if role in _OPERATED:
        return _OPERATED[role]
    model = ROLE_MODELS[role]
    asked = AskedKeyed if role in ROLES_READ_KEYED else AskedUnkeyed
    return _entry(f"Operator{model.__name__}", model.__doc__ or "", asked, model)


_OPERATED: Mapping[str, type[Instrument]] = {
    "signal_generator": OperatorSignalGenerator,
    "power_meter": OperatorPowerMeter,
    "voltmeter": OperatorVoltmeter,
}
ENTRIES.put("profile", {role: partial(_profiled, role) for role in ROLES})
ENTRIES.put("operator", {role: partial(_operated, role) for role in ROLES})
ENTRIES.put("text", {"radio": lambda: TextRadio})
ENTRIES.put(INSTALLED, {role: partial(_installed, role) for role in ROLES})


class AnyEntry(Instrument):
    """What every entry says, whatever its role and driver."""

    role: str
    """What it does on this bench; need not be written where the entry is named after its role."""
    driver: Any = "profile"
    """`profile` (spoken to in the words of its command profile), `operator` (set and read by a person at a prompt), `text` (a radio on
    a line of text), or a driver from an installed package."""


class UnknownRole(AnyEntry):
    """An entry of which nothing can be said because its role is not one."""

    model_config = ConfigDict(extra="ignore")
    calibration: Any = None

    @field_validator("role")
    @classmethod
    def _is_a_role(cls, role: str) -> str:
        raise FieldProblem(f"'{role}' is not a role", allowed=listed(ROLES), hint=did_you_mean(role, ROLES))


def entry_model(entry: Any) -> type[Instrument]:
    """Return the model that an entry is read as: by its role, then by its driver."""
    if not isinstance(entry, Mapping):
        return type(entry) if isinstance(entry, Instrument) else UnknownRole
    driver, role = entry.get("driver", "profile"), entry.get("role")
    wanted = driver if isinstance(driver, str) and driver in ENTRIES else INSTALLED
    for way in (wanted if isinstance(driver, str) else "profile", INSTALLED):
        if isinstance(role, str) and (model := ENTRIES.of(way, role)) is not None:
            return model
    return UnknownRole


def _name_of(entry: Any) -> str:
    return entry_model(entry).__name__


def any_of(models: Iterable[type[Instrument]]) -> Any:
    """Return the annotation of an entry that is one of ``models``, or of none: then it is told that its role is not one."""
    choices: dict[type[Instrument], None] = dict.fromkeys((*models, UnknownRole))
    if len(choices) == 1:
        return UnknownRole
    return Annotated[
        Union[tuple(Annotated[one, Tag(one.__name__)] for one in choices)],  # noqa: UP007 - made at run time
        Discriminator(_name_of),
    ]
