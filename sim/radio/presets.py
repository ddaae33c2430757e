"""What can be adjusted inside a unit: trimmers that a screwdriver turns, and settings that the unit stores.

A trimmer lags behind the screw by its backlash (the play operator of mechanics: the wiper moves once the slack is taken up) and ends
at a stop. What a position does is in preset_effects.py. The figures are common practice, no source.

Not modelled: wear, a wiper that scratches, a trimmer that drifts with temperature.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import Literal, get_args

from sim.frozen import dataclass
from sim.requirements import require, require_finite, require_not_negative, require_positive

ActsOn = Literal[
    "power",
    "deviation",
    "frequency",
    "depth",
    "s_meter",
    "squelch",
    "front_end",
    "carrier_balance",
    "sideband_balance",
    "bias",
    "audio",
    "discriminator",
]
ACTS_ON: tuple[ActsOn, ...] = get_args(ActsOn)
CURVES = ("straight", "saturated", "hump", "dead")


@dataclass(frozen=True, slots=True, kw_only=True)
class Preset:
    """One preset. ``position`` is where it stands, 0 to 1 of its travel; at ``right`` the unit is as its other sections say.

    ``right`` outside 0 to 1 lies beyond an end stop. ``span_db`` is what the whole travel changes; of a frequency ``span_ppm``, of
    FM's discriminator, whose distortion it is, ``span_percent``; of what is tuned or balanced, ``front_end``, ``carrier_balance`` and
    ``sideband_balance``: how far down the far end is. ``turns`` is the screw's whole travel, ``backlash`` the share of it that is lost
    when the direction changes, ``reversed`` a screw that lowers clockwise. ``also`` is what share of its change it makes on other
    presets' quantities. A ``stored`` one takes ``lowest`` to ``highest``, of which the position is a share, and has no screw; ``curve``
    is how its effect follows: saturated above the middle, a hump with its top at 0.6, or dead.
    """

    acts_on: ActsOn
    kind: Literal["trimmer", "stored"] = "trimmer"
    position: float = 0.5
    right: float = 0.5
    span_db: float = 6.0
    span_ppm: float = 60.0
    span_percent: float = 40.0
    turns: float = 1.0
    backlash: float = 0.0
    reversed: bool = False
    also: Mapping[str, float] = field(default_factory=dict)
    lowest: int = 0
    highest: int = 255
    curve: Literal["straight", "saturated", "hump", "dead"] = "straight"

    def __post_init__(self) -> None:
        require(self.acts_on in ACTS_ON, "acts_on", repr(self.acts_on), ", ".join(ACTS_ON))
        require(self.curve in CURVES, "curve", repr(self.curve), ", ".join(CURVES))
        require(0.0 <= self.position <= 1.0, "position", self.position, "0 to 1")
        require(-1.0 <= self.right <= 2.0, "right", self.right, "-1 to 2")
        require_positive(self, "turns")
        require_not_negative(self, "backlash", "span_percent")
        require_finite(self, "span_db", "span_ppm")
        require(self.backlash < 1.0, "backlash", self.backlash, "below 1")
        require(self.lowest < self.highest, "lowest", self.lowest, "below highest")
        for acted, share in self.also.items():
            require(acted in ACTS_ON, "also", repr(acted), ", ".join(ACTS_ON))
            require(-2.0 <= share <= 2.0, "also", share, "-2 to 2")

    def effect(self, position: float) -> float:
        """Return what a position does, as a share of the span: 0 where it is right."""
        return self._curved(position) - self._curved(self.right)

    def _curved(self, position: float) -> float:
        match self.curve:
            case "dead":
                return 0.0
            case "saturated":
                return min(position, 0.5)
            case "hump":
                return 0.6 - abs(position - 0.6)
        return -position if self.reversed else position


class Trimmer:
    """A trimmer and its screw."""

    def __init__(self, preset: Preset) -> None:
        self._preset = preset
        self.position = preset.position
        self._screw = preset.position

    def turn(self, turns: float) -> None:
        """Turn the screw by so many turns, clockwise above 0; it stops at the end of its travel."""
        slack = self._preset.backlash / 2.0
        self._screw = min(1.0 + slack, max(-slack, self._screw + turns / self._preset.turns))
        if self._screw - self.position > slack:
            self.position = self._screw - slack
        elif self.position - self._screw > slack:
            self.position = self._screw + slack
        self.position = min(1.0, max(0.0, self.position))


class Presets:
    """All presets of one unit, where they stand now."""

    def __init__(self, presets: Mapping[str, Preset]) -> None:
        self._presets = presets
        self._trimmers = {
            name: Trimmer(preset) for name, preset in presets.items() if preset.kind == "trimmer"
        }
        self._stored = {
            name: round(preset.lowest + preset.position * (preset.highest - preset.lowest))
            for name, preset in presets.items()
            if preset.kind == "stored"
        }

    def turn(self, name: str, turns: float) -> None:
        """Turn a trimmer; KeyError for a name that is none."""
        self._trimmers[name].turn(turns)

    def store(self, name: str, value: int) -> None:
        """Store a setting; ValueError names the settings there are, or what it takes."""
        preset = self._stored_preset(name)
        if not preset.lowest <= value <= preset.highest:
            raise ValueError(f"{name} {value} refused; it takes {preset.lowest} to {preset.highest}")
        self._stored[name] = value

    def stored(self, name: str) -> int:
        """Return a stored setting; ValueError names the settings there are."""
        self._stored_preset(name)
        return self._stored[name]

    def positions(self) -> dict[str, float]:
        """Return where each stands, as a share of its travel."""
        return {
            name: self._trimmers[name].position if name in self._trimmers else self._share(name)
            for name in self._presets
        }

    def _share(self, name: str) -> float:
        preset = self._presets[name]
        return (self._stored[name] - preset.lowest) / (preset.highest - preset.lowest)

    def _stored_preset(self, name: str) -> Preset:
        if name not in self._stored:
            raise ValueError(f"setting {name} refused; this unit stores {', '.join(self._stored) or 'none'}")
        return self._presets[name]
