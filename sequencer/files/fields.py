"""The types a file's model is made of: quantities written with their unit, and the base of every model.

A field ``max_key_time_s: TimeS`` is read from the key ``max_key_time``, whose text carries the unit
(``20 s``). In Python the field is filled by its own name with a number in that unit.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, PlainValidator, ValidationInfo, WithJsonSchema

from sequencer.files.bounds import Bounds, at_least, between
from sequencer.units.parse import (
    CURRENT,
    FREQUENCY,
    FREQUENCY_DIFFERENCE,
    LEVEL,
    PERCENT,
    POWER,
    RATIO,
    RELATIVE,
    RESISTANCE,
    TEMPERATURE,
    TIME,
    VOLTAGE,
    Dimension,
    QuantityError,
    bounded,
    parse_quantity,
    quantity_pattern,
)

__all__ = ["Bounds", "FileModel", "at_least", "between", "key_of", "quantity_type", "suffix_of"]

LONGEST_TEXT = 2000
"""Characters a text of a file may have, where its field allows no less: a page of writing; a name is far below it."""
PRINTABLE = r"^[^\x00-\x1f\x7f]+$"
"""What a text on one line may be made of."""
Number = Annotated[float, AfterValidator(between(-1e12, 1e12, ""))]
"""A number without a unit, of which its field says no more."""
WholeNumber = Annotated[int, AfterValidator(between(-(2**31), 2**31 - 1, ""))]
"""A whole number of which its field says no more: what a database's integer takes."""

UNIT_SUFFIXES = ("_dbm", "_db", "_ppm", "_percent", "_ohm", "_hz", "_w", "_v", "_a", "_s", "_c")
"""What a field's name ends in, and the file's key does not."""


_READS = inspect.Signature(
    [inspect.Parameter(name, inspect.Parameter.POSITIONAL_OR_KEYWORD) for name in ("found", "info")]
)


def _reader(dimension: Dimension) -> Callable[[Any, ValidationInfo], float]:
    def read(found: Any, info: ValidationInfo) -> float:
        if isinstance(found, str):
            return parse_quantity(found, dimension)
        if info.mode == "python" and isinstance(found, int | float) and not isinstance(found, bool):
            return bounded(float(found), dimension, f"{found:g} {dimension.unit}")
        if isinstance(found, int | float) and not isinstance(found, bool):
            return parse_quantity(
                f"{found:g}", dimension
            )  # a bare number: refused there, with the units that do
        raise QuantityError(f"{dimension.name} is due", found=type(found).__name__, allowed=dimension.allowed)

    # pydantic names a union's branches by function: PowerW | LevelDbm must be two
    read.__name__ = read.__qualname__ = f"read_{dimension.name.replace(' ', '_')}"
    read.__signature__ = _READS  # type: ignore[attr-defined]  # asked for wherever a field is of this kind: at hand, as in Bounds
    return read


def quantity_type(dimension: Dimension) -> Any:
    """Return the annotation of a field that holds ``dimension``: text in a file, a float in Python."""
    schema = {
        "type": "string",
        "pattern": quantity_pattern(dimension),
        "description": f"{dimension.allowed[0].upper()}{dimension.allowed[1:]}",
        "examples": [dimension.example],
    }
    return Annotated[float, PlainValidator(_reader(dimension)), WithJsonSchema(schema), dimension]


LevelDbm = Annotated[float, *quantity_type(LEVEL).__metadata__]
FrequencyHz = Annotated[float, *quantity_type(FREQUENCY).__metadata__]
FrequencyDifferenceHz = Annotated[float, *quantity_type(FREQUENCY_DIFFERENCE).__metadata__]
TimeS = Annotated[float, *quantity_type(TIME).__metadata__]
RatioDb = Annotated[float, *quantity_type(RATIO).__metadata__]
PowerW = Annotated[float, *quantity_type(POWER).__metadata__]
VoltageV = Annotated[float, *quantity_type(VOLTAGE).__metadata__]
CurrentA = Annotated[float, *quantity_type(CURRENT).__metadata__]
Percent = Annotated[float, *quantity_type(PERCENT).__metadata__]
Ppm = Annotated[float, *quantity_type(RELATIVE).__metadata__]
TemperatureC = Annotated[float, *quantity_type(TEMPERATURE).__metadata__]
ResistanceOhm = Annotated[float, *quantity_type(RESISTANCE).__metadata__]

TYPE_OF_SUFFIX: dict[str, Any] = {
    "_dbm": LevelDbm,
    "_db": RatioDb,
    "_ppm": Ppm,
    "_percent": Percent,
    "_ohm": ResistanceOhm,
    "_hz": FrequencyDifferenceHz,  # a name does not say whether zero or a negative figure makes sense
    "_w": PowerW,
    "_v": VoltageV,
    "_a": CurrentA,
    "_s": TimeS,
    "_c": TemperatureC,
}
"""The quantity that a field's name promises, for models made from dataclasses."""


def suffix_of(name: str) -> str:
    """Return the unit suffix of a field's name, or nothing."""
    return next((suffix for suffix in UNIT_SUFFIXES if name.endswith(suffix) and name != suffix), "")


def key_of(name: str) -> str:
    """Return the key in the file of the field ``name``: the name without its unit."""
    return name.removesuffix(suffix_of(name))


class FileModel(BaseModel):
    """Base of every model of a file: frozen, no unknown keys, keys without the unit that fields end in.

    Subclasses may be filled in Python by field name; a file is read by its keys only, and strictly: no text
    is taken for a number nor a number for text (see `sequencer.files.read.read_file`).
    """

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        alias_generator=key_of,
        validate_by_name=True,
        validate_by_alias=True,
        allow_inf_nan=False,
        str_max_length=LONGEST_TEXT,
        defer_build=True,  # most models are only bases or parts of others, and never read a file by themselves
    )

    @classmethod
    def unstated(cls) -> Self:
        """Return the model where a file states nothing of it; every field must have a default.

        As a field's default it costs nothing, where ``cls()`` would build a validator that the file's own model has once more.
        """
        return cls.model_construct()  # type: ignore[return-value]  # what pydantic's plugin makes of it forgets Self

    @classmethod
    def about_unknown(cls, key: str) -> str:
        """Return what is to be said of ``key``, which this model does not know, beyond that; nothing for most."""
        return ""

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        """Refuse a model of which two fields would be read from one key."""
        super().__pydantic_init_subclass__(**kwargs)
        keys = [field.alias or name for name, field in cls.model_fields.items()]
        if twice := sorted({key for key in keys if keys.count(key) > 1}):
            raise TypeError(f"{cls.__name__}: two fields share the key {', '.join(twice)}")
