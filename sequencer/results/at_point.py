"""At which point of its axes a result was found: where a check is repeated over channels, modes, supplies or temperatures (`at`)."""

from __future__ import annotations

from typing import Any, Self

from sequencer.frozen import dataclass
from sequencer.results.settings import Settings

KEPT_AS = "at"
"""Under which name it stands among the settings of a result."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AtPoint:
    """One value of each axis; None for what is no axis of the check, so that the sequence's own holds."""

    channel: int | None = None
    mode: str | None = None
    supply_v: float | None = None
    temperature_c: float | None = None

    @property
    def suffix(self) -> str:
        """What a quantity found there is called beyond its name: ` at 10.8 V and -10 °C`. Channel and mode stand beside it anyway."""
        named = [
            f"{value:g} {unit}"
            for value, unit in ((self.supply_v, "V"), (self.temperature_c, "°C"))
            if value is not None
        ]
        return f" at {' and '.join(named)}" if named else ""

    @property
    def axis(self) -> tuple[str, float, str] | None:
        """The axis that a drawing runs along, the value on it, and its unit: temperature before supply; None for neither."""
        if self.temperature_c is not None:
            return "temperature", self.temperature_c, "°C"
        return None if self.supply_v is None else ("supply", self.supply_v, "V")

    def as_plain(self) -> dict[str, Any]:
        """Return its axes for JSON, by the names of the fields."""
        found = {
            "channel": self.channel,
            "mode": self.mode,
            "supply_v": self.supply_v,
            "temperature_c": self.temperature_c,
        }
        return {name: value for name, value in found.items() if value is not None}

    @classmethod
    def of(cls, settings: Settings | None) -> Self | None:
        """Return the point at which a result with these settings was found; None where its check had no axes."""
        kept = None if settings is None else settings.find(KEPT_AS)
        if not isinstance(kept, Settings):
            return None
        known = {name: one for name, one in kept.as_plain().items() if name in cls.__slots__}
        return cls(**known)


def name_at(quantity: str, point: AtPoint | None) -> str:
    """Return the name of a quantity without the point at which it was found."""
    return quantity if point is None else quantity.removesuffix(point.suffix)
