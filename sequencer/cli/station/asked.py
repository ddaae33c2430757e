"""What the command line says of a station. Start-up imports it: of the standard library alone."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class StationAsked:
    """What the command line says of a station beside its runs."""

    units: Path | None = None
    auto: bool = False
    prefix: str = ""
    suffix: str = ""
    sound: bool = False
    linked: bool = False
    check_bench: bool = False
