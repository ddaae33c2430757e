"""Frozen values that cost little to define.

To a type checker `dataclass` is the standard library's, and it is used as ``@dataclass(frozen=True, slots=True)``. That one compiles six
functions for each class, half a millisecond [measured], though a command makes values of a few only: of a hundred classes that was
a tenth of its time. Here what needs no names of its own is shared, and ``__init__`` is compiled once many values were made. `fields`,
`replace`, `asdict` and `is_dataclass` of the standard library know these values. A class whose base is of the standard kind is so too.

The file stands in `sequencer`, `drivers` and `sim`, which may not import each other; a test holds them alike.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from functools import cache
from operator import attrgetter
from reprlib import recursive_repr
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass"]

FILLED = 100
"""Values of a class that are filled field by field before its ``__init__`` is compiled, which costs what is lost on some 250 [measured]."""


def _refuse_set(self: Any, name: str, value: object) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_delete(self: Any, name: str) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")


@cache
def _cells(cls: Any) -> Callable[[Any], tuple[Any, ...]]:
    """Return what takes those fields of a value that are compared."""
    names = [one.name for one in dataclasses.fields(cls) if one.compare]
    if len(names) > 1:
        return attrgetter(*names)
    return lambda value: tuple(getattr(value, name) for name in names)


def _equal(self: Any, other: Any) -> Any:
    if other.__class__ is not self.__class__:
        return NotImplemented
    cells = _cells(self.__class__)
    return cells(self) == cells(other)


def _hash(self: Any) -> int:
    return hash(_cells(self.__class__)(self))


@recursive_repr()
def _repr(self: Any) -> str:
    shown = (f"{one.name}={getattr(self, one.name)!r}" for one in dataclasses.fields(self) if one.repr)
    return f"{self.__class__.__qualname__}({', '.join(shown)})"


def _state(self: Any) -> list[Any]:
    return [getattr(self, one.name) for one in dataclasses.fields(self)]


def _set_state(self: Any, state: list[Any]) -> None:
    for one, cell in zip(dataclasses.fields(self), state, strict=True):
        object.__setattr__(self, one.name, cell)


def _first_init(self: Any, *given: Any, **named: Any) -> None:
    """Make the class's own ``__init__``, which takes this one's place, and call it."""
    owner: Any = next(one for one in type(self).__mro__ if vars(one).get("__init__") is _first_init)
    owner.__init__ = _filling_init(owner)
    owner.__init__(self, *given, **named)


def _filling_init(cls: Any) -> Any:
    """Return an ``__init__`` that goes through the fields, for the first `FILLED` values; then, and to refuse, it is compiled."""
    taken = [one for one in dataclasses.fields(cls) if one.init or _is_stated(one)]
    parts = [
        (one.name, getattr(cls, one.name).__set__, one.default, one.default_factory, one.init)
        for one in taken
    ]
    in_order = [one.name for one in taken if one.init and not one.kw_only]
    checks = hasattr(cls, "__post_init__")
    left = FILLED
    missing = dataclasses.MISSING

    def init(self: Any, *given: Any, **named: Any) -> None:
        nonlocal left
        left -= 1
        names = in_order[: len(given)]
        fits = left >= 0 and len(names) == len(given) and named.keys().isdisjoint(names)
        used = 0
        if fits:
            said = {**named, **dict(zip(names, given, strict=True))} if given else named
            for name, put, default, make, is_given in parts:
                if is_given and name in said:
                    put(self, said[name])
                    used += 1
                elif default is not missing:
                    put(self, default)
                elif make is not missing:
                    put(self, make())
                else:
                    fits = False
                    break
            fits = fits and used == len(said)
        if not fits:
            cls.__init__ = _compiled_init(cls)
            cls.__init__(self, *given, **named)
        elif checks:
            self.__post_init__()

    return init


def _is_stated(one: dataclasses.Field[Any]) -> bool:
    return one.default is not dataclasses.MISSING or one.default_factory is not dataclasses.MISSING


def _compiled_init(cls: Any) -> Any:
    names: dict[str, Any] = {"_MADE": dataclasses.MISSING}
    positional, keywords = ["self"], list[str]()
    body: list[str] = []
    for one in dataclasses.fields(cls):
        name, made = one.name, one.default_factory is not dataclasses.MISSING
        stated = _is_stated(one)
        names[f"_of_{name}"] = one.default_factory if made else one.default
        names[f"_set_{name}"] = getattr(cls, name).__set__  # its slot's own: sooner than by the name
        if one.init:
            default = "=_MADE" if made else f"=_of_{name}" if stated else ""
            (keywords if one.kw_only else positional).append(name + default)
        if one.init and made:
            body.append(f" _set_{name}(self, _of_{name}() if {name} is _MADE else {name})")
        elif one.init or stated:
            value = name if one.init else f"_of_{name}()" if made else f"_of_{name}"
            body.append(f" _set_{name}(self, {value})")
    if hasattr(cls, "__post_init__"):
        body.append(" self.__post_init__()")
    given = ", ".join([*positional, *(["*", *keywords] if keywords else [])])
    exec("\n".join([f"def __init__({given}):", *body, " return None"]), names)
    init = names["__init__"]
    init.__qualname__ = f"{cls.__qualname__}.__init__"
    return init


_SHARED = {
    "__init__": _first_init,
    "__setattr__": _refuse_set,
    "__delattr__": _refuse_delete,
    "__getstate__": _state,
    "__setstate__": _set_state,
}


def _is_of_standard_kind(own: Mapping[str, Any]) -> bool:
    return "__dataclass_params__" in own and own.get("__setattr__") is not _refuse_set


def _of_standard_kind(cls: Any, **options: bool) -> Any:
    """Return the class as the standard decorator makes it, if a base of it was; else None."""
    bases = (vars(one) for one in cls.__mro__)
    if not any(base["__dataclass_params__"].frozen for base in bases if _is_of_standard_kind(base)):
        return None
    return dataclasses.dataclass(frozen=True, slots=True, **options)(cls)


def _made(cls: Any, *, kw_only: bool = False, eq: bool = True, repr: bool = True) -> Any:  # noqa: A002 - the standard decorator's word
    own = dict(vars(cls))
    upon = any("__dataclass_params__" in vars(one) for one in cls.__mro__)
    cls = dataclasses.dataclass(init=False, repr=False, eq=False, slots=True, kw_only=kw_only, frozen=upon)(
        cls
    )
    shared: dict[str, Any] = dict(_SHARED)
    if repr and "__repr__" not in own:
        shared["__repr__"] = _repr
    if eq and "__eq__" not in own:
        shared["__eq__"] = _equal
    if eq and (own.get("__hash__") is None):
        shared["__hash__"] = _hash
    for name, function in shared.items():
        setattr(cls, name, function)
    cls.__dataclass_params__.frozen = (
        True  # the standard decorator looks there before it makes a class upon this one
    )
    return cls


if TYPE_CHECKING:
    from dataclasses import dataclass
else:

    def dataclass(**options: bool) -> Any:
        """Make a class a frozen value; the options are those of the standard decorator."""
        if not (options.pop("frozen", False) and options.pop("slots", False)):
            raise TypeError("for what is not frozen, or has no slots, use dataclasses.dataclass")
        return lambda cls: _of_standard_kind(cls, **options) or _made(cls, **options)
