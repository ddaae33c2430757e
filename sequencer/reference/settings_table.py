"""What the settings of a file's model look like to the person who writes them: a row for each key, those of nested models below theirs."""

from __future__ import annotations

import enum
import types
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import MaxLen, MinLen
from pydantic import BaseModel, WithJsonSchema
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from sequencer.files.bounds import range_of
from sequencer.files.docstrings import field_docstrings
from sequencer.frozen import dataclass
from sequencer.reference.markdown import code, prose, table
from sequencer.units.format import written
from sequencer.units.parse import Dimension

HEADS = ("setting", "type", "unit", "default", "allowed", "meaning")
NEEDED = "**needed**"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What may stand at a place of a file: of which kind, in which unit, in which range; and the models that are read there."""

    kind: str
    plural: str = ""
    unit: str = ""
    allowed: str = ""
    models: tuple[type[BaseModel], ...] = ()

    @property
    def many(self) -> str:
        """The kind of several."""
        return self.plural or self.kind + "s"


_PLAIN = {
    bool: Shape(kind="yes or no", allowed="`true`, `false`"),
    int: Shape(kind="whole number"),
    float: Shape(kind="number"),
    str: Shape(kind="text", plural="texts"),
}


def settings_table(model: type[BaseModel], *, without: frozenset[str] = frozenset()) -> str:
    """Return the table of a model's settings, leaving out the fields named ``without``; nothing where none is left."""
    rows = list(_rows(model, without))
    return table(HEADS, rows) if rows else ""


def _rows(
    model: type[BaseModel], without: frozenset[str] = frozenset(), *, above: str = "", filled: Any = None
) -> Iterator[tuple[str, ...]]:
    texts = field_docstrings(model)
    for name, field in model.model_fields.items():
        if name in without:
            continue
        key = above + (field.alias or name)
        shape = shape_of(field.annotation, tuple(field.metadata))
        default = _default(field) if filled is None else getattr(filled, name)
        nested = len(shape.models) == 1 and isinstance(default, shape.models[0])
        shown = NEEDED if default is PydanticUndefined else "" if nested else _shown(default, shape.unit)
        yield code(key), shape.kind, shape.unit, shown, shape.allowed, prose(texts.get(name))
        for one in shape.models:
            yield from _rows(one, above=key + ".", filled=default if isinstance(default, one) else None)


def _default(field: FieldInfo) -> Any:
    return PydanticUndefined if field.is_required() else field.get_default(call_default_factory=True)


def _shown(default: Any, unit: str) -> str:
    if default is None:
        return ""
    if isinstance(default, bool):
        return code(str(default).lower())
    if isinstance(default, float):
        return code(written(default, unit))
    if isinstance(default, tuple):
        return code("[" + ", ".join(_shown(one, unit).strip("`") for one in default) + "]") if default else ""
    if isinstance(default, BaseModel | Mapping):
        return ""
    return code(str(default)) if str(default) else ""


def shape_of(annotation: Any, metadata: tuple[Any, ...] = ()) -> Shape:
    """Return what may stand where ``annotation`` is read, narrowed by what it is annotated with."""
    shape = _bare(annotation, metadata)
    dimension = next((one for one in metadata if isinstance(one, Dimension)), None)
    if dimension is not None:
        shape = _of_dimension(dimension)
    elif (schema := next((one for one in metadata if isinstance(one, WithJsonSchema)), None)) is not None:
        shape = _of_schema(schema)
    if (bounds := str(range_of(metadata))) and annotation in (int, float):
        return replace(shape, allowed=bounds)
    narrowed = [said for said in map(_narrowed, metadata) if said]
    return replace(shape, allowed=", ".join(narrowed)) if narrowed else shape


def _bare(annotation: Any, metadata: tuple[Any, ...]) -> Shape:
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return shape_of(inner[0], tuple(annotation.__metadata__))
    if origin in (Union, types.UnionType):
        return _either([shape_of(one) for one in inner if one is not type(None)])
    if origin is Literal:
        return Shape(kind="word", allowed=", ".join(code(str(one)) for one in inner if str(one)))
    if origin is tuple:
        one = shape_of(inner[0])
        return replace(one, kind=f"list of {one.many}", plural=f"lists of {one.many}")
    if isinstance(origin, type) and issubclass(origin, Mapping):
        key, one = shape_of(inner[0]), shape_of(inner[1])
        allowed = f"key: {key.allowed}" if key.allowed else ""
        return replace(
            one,
            kind=f"{one.kind} for each {key.kind}",
            plural=f"{one.many} for each {key.kind}",
            allowed=allowed,
        )
    if isinstance(annotation, type) and issubclass(annotation, enum.Enum):
        return Shape(kind="word", allowed=", ".join(code(str(one.value)) for one in annotation))
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return Shape(kind="mapping", models=(annotation,))
    return _PLAIN.get(annotation, Shape(kind=getattr(annotation, "__name__", str(annotation)).lower()))


def _of_dimension(dimension: Dimension) -> Shape:
    kind = dimension.name.removeprefix("a ").removeprefix("an ")
    plural = kind[:-1] + "ies" if kind.endswith("y") else kind + "s"
    return Shape(kind=kind, plural=plural, unit=dimension.unit, allowed=dimension.bounds)


def _of_schema(schema: WithJsonSchema) -> Shape:
    said = schema.json_schema or {}
    examples = ", ".join(code(str(one)) for one in said.get("examples", ()))
    parts = [said.get("description", ""), f"such as {examples}" if examples else ""]
    return Shape(kind="text", allowed=", ".join(part for part in parts if part))


def _either(shapes: list[Shape]) -> Shape:
    """Return the shape of a choice between several; what they share is said once."""
    kinds = list(dict.fromkeys(shape.kind for shape in shapes))
    return Shape(
        kind=" or ".join(kinds),
        plural=" or ".join(dict.fromkeys(shape.many for shape in shapes)),
        unit=" or ".join(dict.fromkeys(shape.unit for shape in shapes if shape.unit)),
        allowed="; ".join(dict.fromkeys(shape.allowed for shape in shapes if shape.allowed)),
        models=tuple(model for shape in shapes for model in shape.models),
    )


def _narrowed(constraint: Any) -> str:
    """Return what one annotation says of the range, in words; nothing for one that says nothing of it."""
    if isinstance(constraint, MaxLen):
        return f"at most {constraint.max_length} characters"
    if isinstance(constraint, MinLen) and constraint.min_length > 1:
        return f"at least {constraint.min_length}"
    return ""
