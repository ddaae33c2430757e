"""Which keys a model knows at a place of its file: what a complaint about an unknown key names."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel


def keys_at(model: type[BaseModel], location: Sequence[str | int]) -> list[str]:
    """Return the keys ``model`` knows at a pydantic error location (which also names union branches)."""
    candidates = [model]
    for element in location:
        candidates = _below(candidates, str(element))
    keys: dict[str, None] = {}
    for candidate in candidates:
        keys.update(dict.fromkeys(field.alias or name for name, field in candidate.model_fields.items()))
    return list(keys)


def _below(candidates: list[type[BaseModel]], element: str) -> list[type[BaseModel]]:
    """Return the models that ``element`` leads to: by key, by union branch, or through a list or mapping."""
    named = [one for one in candidates if element == one.__name__ or _tagged(one, element)]
    if named and len(candidates) > 1:
        return named
    found = [
        inner
        for candidate in candidates
        for name, field in candidate.model_fields.items()
        if element == (field.alias or name)
        for inner in _models_in(field.annotation)
    ]
    return found or candidates


def _tagged(model: type[BaseModel], element: str) -> bool:
    return any(
        get_origin(field.annotation) is Literal and element in get_args(field.annotation)
        for field in model.model_fields.values()
    )


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) is Annotated:
        yield from _models_in(get_args(annotation)[0])
    elif get_origin(annotation) is not Literal:
        for inner in get_args(annotation):
            yield from _models_in(inner)
