"""What a receiver lets out at its antenna connector: its oscillators, the harmonic of the first, and lines of its own making elsewhere.

The oscillators stand where the mixers' arithmetic puts them (any handbook of the superheterodyne): the first intermediate frequency above
or below the channel, and the second intermediate frequency above or below the first. Levels are a choice, no source.

Not modelled: noise beside these lines, lines of a synthesiser's reference, how the leakage goes with the RF gain.
"""

from __future__ import annotations

from sim.frozen import dataclass
from sim.radio.front_end import FrontEnd
from sim.requirements import require, require_positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """One line that stays where it is: its frequency, and its level at the antenna connector."""

    frequency_hz: float
    level_dbm: float

    def __post_init__(self) -> None:
        require_positive(self, "frequency_hz")
        require(-200 <= self.level_dbm <= 0, "level_dbm", self.level_dbm, "-200 to 0 dBm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Leakage:
    """Levels at the antenna connector of the first oscillator, its second harmonic, and the second oscillator; ``lines`` are others."""

    first_dbm: float = -78.0
    harmonic_dbm: float = -92.0
    second_dbm: float = -86.0
    lines: tuple[Leak, ...] = ()

    def __post_init__(self) -> None:
        for name in ("first_dbm", "harmonic_dbm", "second_dbm"):
            require(-200 <= getattr(self, name) <= 0, name, getattr(self, name), "-200 to 0 dBm")

    def of(self, front: FrontEnd, tuned_hz: float) -> tuple[tuple[float, float], ...]:
        """Return frequency, Hz, and level, dBm, of each line of a receiver tuned to ``tuned_hz``."""
        first_hz = tuned_hz + (1.0 if front.first_oscillator == "high" else -1.0) * front.first_if_hz
        second_hz = (
            front.first_if_hz + (1.0 if front.second_oscillator == "high" else -1.0) * front.second_if_hz
        )
        return (
            (first_hz, self.first_dbm),
            (2.0 * first_hz, self.harmonic_dbm),
            (second_hz, self.second_dbm),
            *((one.frequency_hz, one.level_dbm) for one in self.lines),
        )
