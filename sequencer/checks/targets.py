"""What a receiver check aims at and what a limit of frequency allows, as people write it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema

from sequencer.complaint import FieldProblem
from sequencer.unit_text import FREQUENCY_DIFFERENCE, RATIO, RELATIVE, QuantityError, parse_quantity

_SINAD = re.compile(r"(?P<ratio>.*\bdB)\s+SINAD", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class SinadTarget:
    """The SINAD at which a receiver counts as hearing, dB."""

    sinad_db: float

    def __str__(self) -> str:
        return f"{self.sinad_db:g} dB SINAD"


def _read_sinad(found: Any) -> SinadTarget:
    allowed = "a ratio and its kind, such as '12 dB SINAD', from 3 to 40 dB"
    if isinstance(found, SinadTarget):
        return found
    match = _SINAD.fullmatch(found.strip()) if isinstance(found, str) else None
    if match is None:
        raise FieldProblem(f"'{found}' is not a target for sensitivity", allowed=allowed)
    try:
        sinad_db = parse_quantity(match["ratio"], RATIO)
    except QuantityError as error:
        raise FieldProblem(error.problem, allowed=allowed) from error
    if not 3.0 <= sinad_db <= 40.0:
        raise FieldProblem(f"{sinad_db:g} dB SINAD cannot be found with confidence", allowed=allowed)
    return SinadTarget(sinad_db=sinad_db)


Target = Annotated[
    SinadTarget,
    PlainValidator(_read_sinad),
    WithJsonSchema(
        {"type": "string", "pattern": r"^\s*\d+(\.\d+)?\s*dB\s+SINAD\s*$", "examples": ["12 dB SINAD"]}
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
            "examples": ["600 Hz", "20 ppm"],
        }
    ),
]
