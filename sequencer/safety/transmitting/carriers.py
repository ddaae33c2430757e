"""Where the unit's carrier was counted in this run, and how a spectrum analyser showed it: no instrument's own word is proof."""

from __future__ import annotations

from collections.abc import Callable

from drivers.faults import NotConfirmed
from drivers.roles import Instrument, Reading
from sequencer.frozen import dataclass
from sequencer.safety.remembered.announced import Announce, Announced, to_nobody

NEAR_SHARE = 0.5  # of the distance of two channels: what lies further off is nearer to another
UNSTATED_SPACING_HZ = 25e3  # of a plan with one channel, or none: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldCarrier:
    """A carrier as the spectrum analyser showed it and the power meter read it, dBm at the antenna connector; whether they agree."""

    shown_dbm: float
    meter_dbm: float
    agrees: bool


class Carriers:
    """Each channel's frequency, Hz, with whether the carrier was last counted there; one for the whole of a run.

    ``moves`` says how often the cables were moved so far: what was held before they were counts no more. ``announce`` is told what is held,
    so that it outlives the process.
    """

    def __init__(self, *, moves: Callable[[], int] = lambda: 0, announce: Announce = to_nobody) -> None:
        self._counted: dict[float, bool] = {}
        self._not_asked = set[float]()
        self._moves, self._announce = moves, announce
        self._held: HeldCarrier | None = None
        self._held_after = 0

    @property
    def held(self) -> HeldCarrier | None:
        """The spectrum analyser's carrier that was last held against the power meter; None where none was since cables were moved."""
        return self._held if self._moves() == self._held_after else None

    @property
    def is_parted(self) -> bool:
        """Say whether one was held, and cables were moved since."""
        return self._held is not None and self.held is None

    def hold(self, held: HeldCarrier) -> None:
        """Take what was held now, and tell it."""
        self.recall(held)
        facts = {"shown_dbm": held.shown_dbm, "meter_dbm": held.meter_dbm, "agrees": held.agrees}
        self._announce(Announced(what="carrier held", begins=False, facts=facts))

    def recall(self, held: HeldCarrier) -> None:
        """Take what was held by the part of the run before it was cut short."""
        self._held, self._held_after = held, self._moves()

    def note(self, channel_hz: float, *, near: bool) -> None:
        """Note that the carrier was counted on a channel: ``near`` its frequency, or elsewhere."""
        self._counted[channel_hz] = near

    def give_up(self, channel_hz: float) -> None:
        """Ask no more on a channel for a count that nothing gives."""
        self._not_asked.add(channel_hz)

    def is_due(self, channel_hz: float) -> bool:
        """Say whether a channel's carrier is still to be counted: it was not, or was counted elsewhere last."""
        return channel_hz not in self._not_asked and not self._counted.get(channel_hz, False)

    @property
    def is_counted(self) -> bool:
        """Say whether the analyser has counted a carrier on its channel in this run, so that it can."""
        return any(self._counted.values())


def near_hz(spacing_hz: float | None) -> float:
    """Return how far from a channel's frequency, Hz, a carrier is still that channel's; ``spacing_hz`` is the distance of two."""
    return NEAR_SHARE * (spacing_hz or UNSTATED_SPACING_HZ)


def not_on_channel(analyser: Instrument, channel_hz: float, counted: Reading) -> NotConfirmed:
    """Return the fault of readings of a unit whose carrier is not where its channel is."""
    seen = (
        "the modulation analyser finds no carrier there"
        if counted.number is None
        else f"its carrier is counted at {counted.number / 1e6:.5f} MHz, {(counted.number - channel_hz) / 1e3:+.4g} kHz off"
    )
    return NotConfirmed(
        f"nothing shows that the unit is on the channel of {channel_hz / 1e6:.5f} MHz: {seen}; what was read is of another channel",
        instrument=analyser.name,
        address=analyser.address,
        reply=counted.raw,
        next_move="See which channel the unit shows: a radio that says it went there may not have gone. 'frequency_error' and "
        "'channel_sweep' judge the carrier itself.",
    )
