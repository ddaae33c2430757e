"""Which numbers a field of a file takes: the bounds of its quantity, narrowed by its own."""

from __future__ import annotations

import inspect
import math
import types
from collections.abc import Iterable, Iterator
from typing import Annotated, Any, ClassVar, Literal, Union, get_args, get_origin

from annotated_types import Ge, Le
from pydantic.fields import FieldInfo

from sequencer.frozen import dataclass
from sequencer.problems import FieldProblem
from sequencer.units.format import range_text, written
from sequencer.units.parse import Dimension


@dataclass(frozen=True, slots=True)
class Bounds:
    """A check for `pydantic.AfterValidator`: a figure from ``minimum`` to ``maximum``, or as far as its quantity goes."""

    # pydantic asks for the signature wherever a field has bounds; to work it out each time was a fiftieth of a dry run [measured]
    __signature__: ClassVar = inspect.Signature(
        [inspect.Parameter("number", inspect.Parameter.POSITIONAL_OR_KEYWORD)]
    )
    minimum: float
    maximum: float | None
    unit: str

    def __call__(self, number: float) -> float:
        """Return ``number``. Raises FieldProblem for one outside, and for NaN."""
        if self.maximum is None and not number >= self.minimum:
            raise FieldProblem(f"{self._shown(number)} is too small", allowed=self.allowed)
        if self.maximum is not None and not self.minimum <= number <= self.maximum:
            raise FieldProblem(f"{self._shown(number)} is out of range", allowed=self.allowed)
        return number

    @property
    def allowed(self) -> str:
        """What a complaint says is allowed: `0 to 100 %`, `1 s or more`."""
        if self.maximum is None:
            return f"{written(self.minimum, self.unit)} or more"
        return range_text(self.minimum, self.maximum, self.unit)

    def _shown(self, number: float) -> str:
        return f"{number:g} {self.unit}".rstrip()


def at_least(minimum: float, unit: str) -> Bounds:
    """Return a check for `pydantic.AfterValidator`: a quantity of ``minimum`` or more, up to the most that its quantity may be."""
    return Bounds(minimum, None, unit)


def between(minimum: float, maximum: float, unit: str) -> Bounds:
    """Return a check for `pydantic.AfterValidator`: a figure from ``minimum`` to ``maximum``."""
    return Bounds(minimum, maximum, unit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """What a number of a field may be: from ``least`` to ``most``, infinite where nothing bounds it."""

    least: float
    most: float
    unit: str

    def __str__(self) -> str:
        return range_text(self.least, self.most, self.unit) if math.isfinite(self.most - self.least) else ""


def ranges_in(annotation: Any, metadata: Iterable[Any] = ()) -> Iterator[Range]:
    """Yield what each number in ``annotation`` may be, in lists, choices and mappings too; those of a model in it are its own."""
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        yield from ranges_in(inner[0], (*annotation.__metadata__, *metadata))
    elif annotation in (int, float):
        yield range_of(metadata)
    elif origin is not Literal:
        # what narrows an optional number narrows the number; what checks a list does not bound its items
        passed = tuple(metadata) if origin in (Union, types.UnionType) else ()
        for one in inner:
            yield from ranges_in(one, passed)


def range_of(metadata: Iterable[Any]) -> Range:
    """Return what a number annotated with ``metadata`` may be."""
    least, most, unit = -math.inf, math.inf, ""
    for one in _flat(metadata):
        low, high = _ends(one)
        least, most, unit = max(least, low), min(most, high), unit or str(getattr(one, "unit", ""))
    return Range(least=least, most=most, unit=unit)


def _flat(metadata: Iterable[Any]) -> Iterator[Any]:
    for one in metadata:
        if isinstance(one, FieldInfo):
            yield from _flat(one.metadata)
        else:
            yield getattr(one, "func", one)


def _ends(one: Any) -> tuple[float, float]:
    if isinstance(one, Dimension):
        return one.least, one.most
    if isinstance(one, Bounds):
        return one.minimum, math.inf if one.maximum is None else one.maximum
    return (
        float(one.ge) if isinstance(one, Ge) else -math.inf,  # type: ignore[arg-type]
        float(one.le) if isinstance(one, Le) else math.inf,  # type: ignore[arg-type]
    )
