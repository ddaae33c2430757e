"""Reads a file into any frozen dataclass whose field names carry their units.

So `sim` and `drivers` define plain values, import nothing of the engine, and their files still carry units
and get the same complaints. The key in the file is the field's name without its unit:
``noise_figure: 8 dB`` fills ``noise_figure_db: float``.
"""

from __future__ import annotations

import dataclasses
import inspect
import types
from collections import Counter
from collections.abc import Mapping, Sequence
from enum import Enum
from pathlib import Path
from typing import (
    Annotated,
    Any,
    Literal,
    Protocol,
    TypeVar,
    Union,
    get_args,
    get_origin,
    get_type_hints,
    runtime_checkable,
)

from pydantic import Field, PrivateAttr, create_model, model_validator

from sequencer.files.fields import TYPE_OF_SUFFIX, FileModel, Number, WholeNumber, key_of, suffix_of
from sequencer.files.read import Read, read_file, read_text
from sequencer.problems import FieldProblem, FieldProblems

D = TypeVar("D")


class DataclassModel(FileModel):
    """Base of the models made from dataclasses; `model_for` fills in the fields."""

    _built: Any = PrivateAttr(default=None)

    @model_validator(mode="after")
    def _builds(self) -> DataclassModel:
        """Let the dataclass's own checks (``__post_init__``) complain while the place is known."""
        try:
            self._built = self._value()
        except (FieldProblem, FieldProblems):
            raise
        except (ValueError, TypeError) as error:
            raise _pointed(error, type(self)) from error
        return self

    def value(self) -> Any:
        """Return the dataclass instance this model was read for, the same each time."""
        return self._built

    def _value(self) -> Any:
        names = type(self).model_fields
        return _class_of(type(self))(**{name: _unwrapped(getattr(self, name)) for name in names})


@runtime_checkable
class NamesField(Protocol):
    """An error by which a dataclass's own check (``__post_init__``) says which field is wrong, and what it may be.

    `sim` and `drivers`, which import nothing of the engine, have such errors of their own.
    """

    field_name: str
    message: str
    allowed: str


def _pointed(error: Exception, model: type[DataclassModel]) -> FieldProblem:
    """Return the complaint of a dataclass, at the field that it names; of another error at the dataclass's own place."""
    if not isinstance(error, NamesField):
        return FieldProblem(str(error))
    field = model.model_fields.get(error.field_name)
    at = (field.alias,) if field is not None and field.alias else ()
    return FieldProblem(error.message, at=at, allowed=error.allowed)


_CLASSES: dict[type[DataclassModel], type[Any]] = {}
_MODELS: dict[type[Any], type[DataclassModel]] = {}


def _class_of(model: type[DataclassModel]) -> type[Any]:
    return _CLASSES[model]


def read_dataclass(path: Path | str, cls: type[D]) -> Read[D]:
    """Return the file at ``path`` as an instance of the dataclass ``cls``. Raises FileProblems."""
    read = read_file(path, model_for(cls))
    return Read(model=read.model.value(), source=read.source)


def read_dataclass_text(text: str, cls: type[D], *, file: str = "<text>") -> Read[D]:
    """Return YAML ``text`` as an instance of the dataclass ``cls``. Raises FileProblems."""
    read = read_text(text, model_for(cls), file=file)
    return Read(model=read.model.value(), source=read.source)


def model_for(cls: type[Any]) -> type[DataclassModel]:
    """Return the file model of the dataclass ``cls``.

    Understood: float with a unit suffix (alone, optional, or inside tuple, list and mapping values), nested
    dataclasses, tuples, lists, mappings, Literal, enumerations, str, int, bool, unions, and float without a
    suffix as a plain number. Where fields differ in the unit only (``s9_dbm``, ``s9_v``) their keys keep it.
    Raises TypeError for a class that is not a dataclass or a field that is none of these.
    """
    if cls in _MODELS:
        return _MODELS[cls]
    if not dataclasses.is_dataclass(cls):
        raise TypeError(f"{cls!r} is not a dataclass")
    hints = get_type_hints(cls, include_extras=True)
    keys = _keys_of(cls)
    fields: dict[str, Any] = {
        field.name: (_read_as(hints[field.name], field.name, cls), _field_info(field, keys[field.name]))
        for field in dataclasses.fields(cls)
        if field.init
    }
    model = create_model(
        cls.__name__,
        __base__=DataclassModel,
        __module__=cls.__module__,
        __doc__=inspect.getdoc(cls),
        **fields,
    )
    _CLASSES[model], _MODELS[cls] = cls, model
    return model


def _keys_of(cls: type[Any]) -> dict[str, str]:
    names = [field.name for field in dataclasses.fields(cls)]
    count = Counter(key_of(name) for name in names)
    return {name: key_of(name) if count[key_of(name)] == 1 else name for name in names}


def _field_info(field: dataclasses.Field[Any], key: str) -> Any:
    if field.default_factory is not dataclasses.MISSING:
        return Field(default_factory=field.default_factory, alias=key)
    if field.default is not dataclasses.MISSING:
        return Field(default=field.default, alias=key)
    return Field(alias=key)


def _read_as(hint: Any, name: str, cls: type[Any]) -> Any:
    """Return the annotation that reads ``hint`` from a file; ``name`` gives the unit of floats in it."""
    origin, inner = get_origin(hint), get_args(hint)
    if hint is float:
        return TYPE_OF_SUFFIX[suffix_of(name)] if suffix_of(name) else Number
    if hint is int:
        return WholeNumber
    if hint in {str, bool, type(None)} or origin is Literal:
        return hint
    if origin is Annotated:
        return Annotated[_read_as(inner[0], name, cls), *hint.__metadata__]
    if origin in {Union, types.UnionType}:
        return Union[tuple(_read_as(one, name, cls) for one in inner)]  # noqa: UP007 - the members come as a tuple
    if origin is tuple:
        return tuple.__class_getitem__(
            tuple(one if one is ... else _read_as(one, name, cls) for one in inner)
        )
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return dict.__class_getitem__((_key_type(inner[0], name, cls), _read_as(inner[1], name, cls)))
    if isinstance(origin, type) and issubclass(origin, Sequence):
        return tuple.__class_getitem__((_read_as(inner[0], name, cls), ...))
    if isinstance(hint, type) and issubclass(hint, Enum):
        return hint
    if isinstance(hint, type) and dataclasses.is_dataclass(hint):
        return model_for(hint)
    raise TypeError(f"{cls.__name__}.{name}: no file can be read into {hint!r}")


def _key_type(hint: Any, name: str, cls: type[Any]) -> Any:
    if (
        hint in {str, int}
        or get_origin(hint) is Literal
        or (isinstance(hint, type) and issubclass(hint, Enum))
    ):
        return WholeNumber if hint is int else hint
    raise TypeError(f"{cls.__name__}.{name}: the keys of a mapping are str, int, Literal or an enumeration")


def _unwrapped(value: Any) -> Any:
    if isinstance(value, DataclassModel):
        return value.value()
    if isinstance(value, tuple):
        return tuple(_unwrapped(one) for one in value)
    if isinstance(value, dict):
        return types.MappingProxyType({key: _unwrapped(one) for key, one in value.items()})
    return value
