"""What a receiver check aims at and what a limit of frequency allows, as people write it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import PlainValidator, WithJsonSchema

from sequencer.frozen import dataclass
from sequencer.problems import FieldProblem
from sequencer.units.parse import FREQUENCY_DIFFERENCE, RATIO, RELATIVE, QuantityError, parse_quantity

Kind = Literal["SINAD", "(S+N)/N", "quieting"]

MODES_OF_KIND: Mapping[Kind, frozenset[str]] = MappingProxyType(
    {
        "SINAD": frozenset({"FM", "AM", "USB", "LSB", "CW"}),
        "(S+N)/N": frozenset({"AM", "USB", "LSB", "CW"}),
        "quieting": frozenset({"FM"}),
    }
)
"""In which modes a figure means something. FM knows no (S+N)/N: its noise depends on the carrier, which is what quieting tells."""

_TARGET = re.compile(
    r"(?P<ratio>.*dB)\s+(?P<kind>SINAD|\(\s*S\s*\+\s*N\s*\)\s*/\s*N|quieting)", re.IGNORECASE
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SensitivityTarget:
    """When a receiver counts as hearing: so many dB of SINAD, of (S+N)/N, or of quieting."""

    ratio_db: float
    kind: Kind = "SINAD"

    def __str__(self) -> str:
        return f"{self.ratio_db:g} dB {self.kind}"

    @property
    def unit(self) -> str:
        """What it counts in: dB SINAD, dB (S+N)/N or dB quieting."""
        return f"dB {self.kind}"

    @property
    def modes(self) -> frozenset[str]:
        """The modes in which it means something."""
        return MODES_OF_KIND[self.kind]


def _read_target(found: Any) -> SensitivityTarget:
    allowed = "a ratio from 3 to 40 dB and its kind: '12 dB SINAD', '10 dB (S+N)/N' or '20 dB quieting'"
    if isinstance(found, SensitivityTarget):
        return found
    match = _TARGET.fullmatch(found.strip()) if isinstance(found, str) else None
    if match is None:
        raise FieldProblem(f"'{found}' is not a target for sensitivity", allowed=allowed)
    try:
        ratio_db = parse_quantity(match["ratio"], RATIO)
    except QuantityError as error:
        raise FieldProblem(error.problem, allowed=allowed) from error
    kind: Kind = {"s": "SINAD", "(": "(S+N)/N", "q": "quieting"}[match["kind"][0].lower()]  # type: ignore[assignment]
    if not 3.0 <= ratio_db <= 40.0:
        raise FieldProblem(f"{ratio_db:g} dB {kind} cannot be found with confidence", allowed=allowed)
    return SensitivityTarget(ratio_db=ratio_db, kind=kind)


Target = Annotated[
    SensitivityTarget,
    PlainValidator(_read_target),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": r"^\s*\d+(\.\d+)?\s*dB\s+(SINAD|\(S\+N\)/N|quieting)\s*$",
            "description": "3 to 40 dB and its kind",
            "examples": ["12 dB SINAD", "10 dB (S+N)/N", "20 dB quieting"],
        }
    ),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrequencyTolerance:
    """How far a carrier may be off: a fixed number of hertz, or parts per million of the carrier."""

    hz: float | None = None
    ppm: float | None = None

    def at(self, carrier_hz: float) -> float:
        """Return the tolerance at ``carrier_hz``, Hz."""
        return self.hz if self.hz is not None else 1e-6 * (self.ppm or 0.0) * carrier_hz


def _read_tolerance(found: Any) -> FrequencyTolerance:
    allowed = "hertz or parts per million, such as '600 Hz' or '20 ppm', 0 or more"
    if isinstance(found, FrequencyTolerance):
        return found
    if not isinstance(found, str):
        raise FieldProblem(f"'{found}' has no unit", allowed=allowed)
    relative = found.rstrip().endswith(("ppm", "ppb"))
    try:
        size = parse_quantity(found, RELATIVE if relative else FREQUENCY_DIFFERENCE)
    except QuantityError as error:
        raise FieldProblem(error.problem, allowed=allowed, hint=error.hint) from error
    if size < 0:
        raise FieldProblem(f"'{found}' is below 0", allowed=allowed)
    return FrequencyTolerance(ppm=size) if relative else FrequencyTolerance(hz=size)


Tolerance = Annotated[
    FrequencyTolerance,
    PlainValidator(_read_tolerance),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": r"^\s*\d+(\.\d+)?\s*([kM]?Hz|ppm|ppb)\s*$",
            "description": "0 or more",
            "examples": ["600 Hz", "20 ppm"],
        }
    ),
]
