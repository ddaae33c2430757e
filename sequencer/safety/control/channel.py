"""Going to a channel, and the proof of a unit that refuses one."""

from __future__ import annotations

from drivers.faults import InstrumentFault, LinkFault
from drivers.roles import Radio


class ChannelRefused(InstrumentFault):
    """The unit was asked for a channel twice, complained twice, and says that it stands on another.

    ``channel`` is the one asked for, ``stands_on`` the one it says. A fact about the unit, and no fault of the bench.
    """

    channel: int = 0
    stands_on: int = 0

    @classmethod
    def of(cls, fault: InstrumentFault, channel: int, stands_on: int) -> ChannelRefused:
        """Return the refusal that ``fault``, the radio's own complaint, comes to."""
        refused = cls(
            f"the unit refuses channel {channel} and stands on {stands_on}: {fault.what}",
            instrument=fault.instrument,
            address=fault.address,
            command=fault.command,
            reply=fault.reply,
            next_move="Look at the unit's channels.",
        )
        refused.channel, refused.stands_on = channel, stands_on
        return refused


def select_channel(radio: Radio, channel: int) -> None:
    """Go to ``channel``. Raises ChannelRefused where the radio refuses twice and says that it stands on another.

    What only the line lost is tried once more; what cannot be proved is raised as it came.
    """
    try:
        radio.set_channel(channel)
    except LinkFault:
        raise
    except InstrumentFault:
        try:
            radio.set_channel(channel)
        except LinkFault:
            raise
        except InstrumentFault as fault:
            stands_on = radio.read_channel()
            if stands_on is None or stands_on == channel:
                raise
            raise ChannelRefused.of(fault, channel, stands_on) from fault
