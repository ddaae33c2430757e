"""What is shown while a preset is turned, and what the person who turns it answers. No terminal in it, and no instrument.

`adjust` calls `begin` once a preset, `show` up to five times a second, and `end` whatever happened. What is shown is no result.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from enum import Enum
from typing import Literal, Protocol

from sequencer.frozen import dataclass

Aim = Literal["band", "maximum", "minimum"]
"""Whether the value belongs between two ends, or as high, or as low, as it goes."""
Way = Literal["", "on", "back"]
"""What the last turning did: nothing known yet, nearer to the aim (turn on), further from it (turn back)."""


class Press(Enum):
    """What the person who turns a preset may answer."""

    KEEP = "keep"
    """It stands right: measure it as left."""
    SKIP = "skip"
    """Leave it as it stands and go on."""
    BACK = "back"
    """Go back to the preset before."""
    EXPLAIN = "explain"
    """Say again what is turned, where, and to what."""
    STILL_HERE = "still here"
    """Nothing of these, but a key: somebody is at the bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveStart:
    """What a preset is, before its first reading.

    ``place`` counts it among several ("1 of 2, round 1"; empty for one alone). ``caution`` is to be shown before anything is turned;
    empty where it was shown already. ``transmits``: the unit is keyed while it is turned. ``turn_by``, on a simulated bench only, turns
    the simulated trimmer by a share of a turn, clockwise above nought: there nobody has a screwdriver.
    """

    preset: str
    text: str
    quantity: str
    unit: str
    caution: str = ""
    place: str = ""
    transmits: bool = True
    turn_by: Callable[[float], None] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveView:
    """One reading while a preset is turned. ``value``, ``low``, ``high``, ``best``, ``to_go`` and ``rate_per_s`` in (or per s of) ``unit``.

    ``value`` None: nothing to read, and ``note`` says why. ``low`` and ``high`` are the ends of the band, None where the aim is an
    extreme. ``to_go`` is what is missing to the middle of the band, with its sign, 0 inside it; None for an extreme. ``rate_per_s``
    is how fast the value moves under the hand now, None until it is known. ``best`` is the best value so far, and ``past_best`` how far
    the value has fallen behind it, never below 0. ``key_left_s`` is what is left of the key-down, None where nothing is keyed;
    ``resting_s`` what is left of the rest before the next, 0 for none. ``away_in_s``: after which time without a key it ends by itself.
    """

    preset: str
    quantity: str
    unit: str
    value: float | None
    aim: Aim
    low: float | None = None
    high: float | None = None
    to_go: float | None = None
    way: Way = ""
    rate_per_s: float | None = None
    steady: bool = False
    best: float | None = None
    past_best: float = 0.0
    key_left_s: float | None = None
    resting_s: float = 0.0
    away_in_s: float = 0.0
    note: str = ""

    @property
    def in_band(self) -> bool:
        """Say whether the value lies in its band; False for an extreme, and where nothing was read."""
        if self.value is None or self.low is None or self.high is None:
            return False
        return self.low <= self.value <= self.high


class LivePerson(Protocol):
    """Whoever turns presets, by way of a screen, of plain lines, or simulated."""

    def begin(self, start: LiveStart) -> None:
        """Show what is to be turned, and its caution. May wait for the person to say that they are ready: nothing is keyed yet."""

    def show(self, view: LiveView) -> Press | None:
        """Show a reading and return what was pressed since the last; None for nothing. Returns at once: the unit may be keyed."""

    def end(self, outcome: str) -> None:
        """Take down what was shown; ``outcome`` is one line that says how it ended. Called once for every `begin`."""


CAUTION = (
    "The covers are open: mains and hot parts may be within reach, and the output stage stays hot after PTT is released. "
    "Turn with a non-metallic tool."
)
"""Common practice, no source. Shown before the first preset of a run is turned while the unit transmits."""
RECEIVE_CAUTION = (
    "The covers are open: mains and hot parts may be within reach. Turn with a non-metallic tool."
)
"""Common practice, no source. Shown before the first preset of a run where the unit only receives."""


class CautiousOnce:
    """A person who is shown the caution before the first preset and not again, but the one of a unit that transmits before it does."""

    def __init__(self, person: LivePerson) -> None:
        self._person = person
        self._shown: set[str] = set()

    def begin(self, start: LiveStart) -> None:
        """Begin a preset, with the caution where it has not been shown."""
        caution = CAUTION if start.transmits else RECEIVE_CAUTION
        is_shown = bool(self._shown & {CAUTION, caution})
        self._shown.add(caution)
        self._person.begin(replace(start, caution="" if is_shown else caution))

    def show(self, view: LiveView) -> Press | None:
        """Show a reading."""
        return self._person.show(view)

    def end(self, outcome: str) -> None:
        """End a preset."""
        self._person.end(outcome)
