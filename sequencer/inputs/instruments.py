"""The entries of a bench file's `instruments`: one model for each role and driver, with the keys that those two use.

What a role needs of the bench is in `instrument_roles`; what reaching it needs is in `instrument_drivers`. An entry is read as both
together; `ENTRIES` lists them all.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Union

from pydantic import ConfigDict, Discriminator, Tag, create_model, field_validator

from sequencer.inputs.instrument_drivers import (
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
from sequencer.inputs.instrument_roles import (
    ENTRIES,
    INSTALLED,
    ROLE_MODELS,
    ROLES,
    Instrument,
    role_of,
)
from sequencer.problems import FieldProblem, did_you_mean, listed

ROLES_READ_KEYED = ("power_meter", "modulation_analyser", "audio_analyser", "supply")
"""The roles that are set or read on the transmit side."""


def _entry(name: str, doc: str, *bases: type[Instrument]) -> type[Instrument]:
    return create_model(name, __base__=bases, __doc__=doc, __module__=__name__)


def _profiled(role: str, model: type[Instrument]) -> type[Instrument]:
    waits = (Settling,) if role != "radio" else ()
    return _entry(f"Profiled{model.__name__}", model.__doc__ or "", Profiled, *waits, *_watched(model), model)


def _installed(model: type[Instrument]) -> type[Instrument]:
    return _entry(f"Installed{model.__name__}", model.__doc__ or "", Installed, *_watched(model), model)


def _watched(model: type[Instrument]) -> tuple[type[Instrument], ...]:
    return (Watched,) if role_of(model) in ("radio", "supply") else ()


def _operated(role: str, model: type[Instrument]) -> type[Instrument]:
    asked = AskedKeyed if role in ROLES_READ_KEYED else AskedUnkeyed
    return _entry(f"Operator{model.__name__}", model.__doc__ or "", asked, model)


_OPERATED: Mapping[str, type[Instrument]] = {
    "signal_generator": OperatorSignalGenerator,
    "power_meter": OperatorPowerMeter,
    "voltmeter": OperatorVoltmeter,
}
ENTRIES.update(
    {
        "profile": tuple(_profiled(role, model) for role, model in ROLE_MODELS.items()),
        "operator": tuple(
            _OPERATED.get(role) or _operated(role, model) for role, model in ROLE_MODELS.items()
        ),
        "text": (TextRadio,),
        INSTALLED: tuple(map(_installed, ROLE_MODELS.values())),
    }
)


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


def _kind(entry: Any) -> str:
    """Return the name of the model that an entry is read as: by its role, then by its driver."""
    if not isinstance(entry, Mapping):
        return type(entry).__name__ if isinstance(entry, Instrument) else UnknownRole.__name__
    driver = entry.get("driver", "profile")
    wanted = driver if isinstance(driver, str) and driver in ENTRIES else INSTALLED
    for way in (wanted if isinstance(driver, str) else "profile", INSTALLED):
        for model in ENTRIES[way]:
            if role_of(model) == entry.get("role"):
                return model.__name__
    return UnknownRole.__name__


if TYPE_CHECKING:
    AnyInstrument = Instrument
else:
    _MODELS = (*(one for models in ENTRIES.values() for one in models), UnknownRole)
    AnyInstrument = Annotated[
        Union[tuple(Annotated[one, Tag(one.__name__)] for one in _MODELS)],  # noqa: UP007 - made at run time
        Discriminator(_kind),
    ]
