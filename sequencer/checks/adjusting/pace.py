"""How each side lets time pass between the readings of a preset that is turned."""

from __future__ import annotations

from sequencer.checks.adjusting.readers import LiveReader
from sequencer.frozen import dataclass
from sequencer.safety.receive import ReceiveSide
from sequencer.safety.transmit import TransmitSide


@dataclass(frozen=True, slots=True, kw_only=True)
class TransmitPace:
    """The time between readings of a unit that is keyed for them."""

    side: TransmitSide
    reader: LiveReader

    def now_s(self) -> float:
        """Return the bench's clock, s."""
        return self.side.now_s()

    def resting_s(self) -> float:
        """Return how long the unit must rest before the next reading, s."""
        return self.side.rest_before_s(self.reader.role, answers=self.reader.answers)

    def key_left_s(self) -> float | None:
        """Return what is left of the key-down, s."""
        return self.side.key_left_s

    def pause_s(self, seconds: float) -> None:
        """Let time pass with PTT released."""
        self.side.pause_s(seconds)

    def release(self, why: str = "") -> None:
        """Release PTT at once; ``why``, where it is not to be pressed any more in this run."""
        self.side.release_at_once(why)

    def wait_s(self, seconds: float) -> None:
        """Let time pass as the unit stands: keyed where it is keyed."""
        if self.side.key_left_s is None:
            self.side.pause_s(seconds)
        else:
            self.side.wait_s(seconds)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivePace:
    """The time between readings of a unit that listens."""

    side: ReceiveSide

    def now_s(self) -> float:
        """Return the bench's clock, s."""
        return self.side.now_s()

    def resting_s(self) -> float:
        """Return 0: nothing rests."""
        return 0.0

    def key_left_s(self) -> float | None:
        """Return None: nothing is keyed."""
        return None

    def release(self, why: str = "") -> None:
        """Do nothing: nothing is keyed."""

    def pause_s(self, seconds: float) -> None:
        """Let time pass."""
        self.side.wait_s(seconds)

    def wait_s(self, seconds: float) -> None:
        """Let time pass."""
        self.side.wait_s(seconds)
