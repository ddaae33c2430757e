"""The steps that every side of a bench is entered and left by, each read back before the next.

Nothing here switches RF on or keys the unit: it unkeys, switches off, sets the path and the channel, and refuses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from typing import TYPE_CHECKING, Literal, TypeVar

from drivers.faults import NotConfirmed, UnexpectedReply
from drivers.roles import AudioAnalyser, Emission, Instrument, Radio, SignalGenerator, Switch
from sequencer.safety.control.channel import select_channel
from sequencer.safety.control.side import present

if TYPE_CHECKING:
    from sequencer.safety.control.key import Key
    from sequencer.safety.remembered.cables import Cables
    from sequencer.safety.remembered.key_memory import KeyMemory

_T = TypeVar("_T")
Path = Literal["receive", "transmit", "check"]


class Interlock:
    """The open instruments of a bench, and what must read back before RF or the key may come on.

    ``roles`` are those the bench file fills; ``key`` is the push-to-talk line, once something has asked for it.
    ``confirm_alone`` raises Refused where another process may drive the bench by now.
    """

    def __init__(
        self,
        instruments: Mapping[str, Instrument],
        *,
        roles: frozenset[str],
        cables: Cables,
        key_memory: KeyMemory,
        confirm_alone: Callable[[Instrument], object] = lambda asking: None,
        see_no_carrier: Callable[[Switch], object] = lambda switch: None,
    ) -> None:
        self._see_no_carrier = see_no_carrier
        self._instruments = instruments
        self._confirm_alone = confirm_alone
        self._roles = roles
        self._cables = cables
        self._key_memory = key_memory
        self.key: Key | None = None
        self._heard: NotConfirmed | None = None  # why a generator's "off" is not believed any more
        self._unshown: dict[
            str, NotConfirmed
        ] = {}  # why nothing shows a generator off, where something did before
        self.followed: set[str] = set()
        """The generators that the unit was seen to follow in this run."""
        self.unfollowed: UnexpectedReply | None = None
        """What this run showed of a generator whose level does not count: no later check of the unit rests on it."""

    # -- who is there -------------------------------------------------------------------------------------------------

    def find(self, role: type[_T]) -> _T | None:
        """Return the first open instrument of that role; None where there is none."""
        return next((found for found in self._instruments.values() if isinstance(found, role)), None)

    def radio(self) -> Radio:
        """Return the unit's controls. Refused where they are not open."""
        return present(self.find(Radio), "radio")

    def generator(self) -> SignalGenerator:
        """Return the first generator. Refused where none is open."""
        return present(self.find(SignalGenerator), "signal_generator")

    def second_generator(self) -> SignalGenerator | None:
        """Return the one beside the first; None where there is none."""
        return next(iter([*self._generators()][1:]), None)

    def _generators(self) -> Iterator[SignalGenerator]:
        return (one for one in self._instruments.values() if isinstance(one, SignalGenerator))

    # -- off ----------------------------------------------------------------------------------------------------------

    def unkey(self) -> None:
        """Release the key, and read that it is open. NotConfirmed where it reads closed."""
        if "radio" not in self._roles:
            return
        radio = self.radio()
        if self.key is not None and self.key.is_down:
            self.key.release()
        else:
            radio.unkey()
        if radio.read_keyed():
            raise NotConfirmed(
                "PTT was released and still reads pressed",
                instrument=radio.name,
                address=radio.address,
                next_move="Remove the supply from the unit, then look for a stuck push-to-talk (PTT) line.",
            )
        if self.key is not None:
            self.key.note_reads_released()
        self._key_memory.note_open()

    def release_confirmed(self, key: Key, *, radio_bound_s: float) -> None:
        """Release the key; before that, where there is time, see that it was still down and the channel the same.

        ``radio_bound_s`` is the longest time that one exchange with the radio can take, s.
        """
        if key.is_down:
            if key.has_room(radio_bound_s):
                self.radio().confirm_settings()
            key.release()

    def generators_off(self) -> None:
        """Switch every generator's output off; one that fails does not spare the others, and the first fault is raised after all."""
        if "signal_generator" in self._roles:
            self.generator()
        with ExitStack() as every:
            for generator in self._generators():
                every.callback(generator.configure_output_enabled, False)
        if self._heard is not None:
            raise self._heard

    def refuse_unfollowed(self) -> None:
        """Raise UnexpectedReply where this run has shown that the generator's level does not count: no check rests on it any more."""
        if (fault := self.unfollowed) is not None:
            raise UnexpectedReply(
                f"an earlier check of this run showed this of it, so that no level of it counts: {fault.what}",
                instrument=fault.instrument,
                address=fault.address,
                next_move=fault.next_move,
            )

    def confirm_generators_off(self) -> None:
        """Do the same as the last of a bench: NotConfirmed also where what had followed a generator did so no more, its "off" included."""
        self.generators_off()
        for unshown in self._unshown.values():
            raise unshown

    def see_silent(self, confirm: Callable[[], frozenset[str]]) -> None:
        """Ask a witness of "off", which returns the names of those that the unit followed and does no more.

        Where it raises NotConfirmed, no "off" is believed any more, and no side entered.
        """
        try:
            shown = confirm()
        except NotConfirmed as fault:
            if not fault.command:  # a setting that read back otherwise on the way says nothing of "off"
                self._heard = fault
            raise
        self.followed.update(shown)
        for name in shown:
            self._unshown.pop(name, None)

    def note_unshown(self, generator: SignalGenerator, why: str) -> None:
        """Take note that nothing on the bench follows the generator any more, until a witness sees it off."""
        self._unshown[generator.name] = NotConfirmed(
            f"its output reads off, and nothing that followed it before shows that it is: {why}",
            instrument=generator.name,
            address=generator.address,
            next_move="See at its own panel that it is off, or take its cable off.",
        )

    def audio_off(self) -> None:
        """Switch the audio source off, where there is one."""
        if (audio := self.find(AudioAnalyser)) is not None:
            audio.configure_source_enabled(False)

    # -- where the unit stands ----------------------------------------------------------------------------------------

    def route(self, path: Path) -> None:
        """Set the switch to ``path`` and read that it stands there."""
        switch = present(self.find(Switch), "switch")
        self._confirm_alone(switch)
        self._see_no_carrier(switch)
        if path != "transmit" and self.key is not None:
            self.key.note_moved()
        switch.set_start_state()
        if path == "check":
            switch.connect_check()
        else:
            switch.connect(path)
        self.confirm_path(path)

    def select(self, channel: int | None, mode: str) -> None:
        """Set the unit's mode, and its channel where there is one."""
        self.radio().set_mode(known_mode(mode))
        if channel is not None:
            self.select_channel(channel)

    def select_channel(self, channel: int) -> None:
        """Set the unit's channel. Raises ChannelRefused where the unit itself will not go there."""
        select_channel(self.radio(), channel)

    # -- before the key is pressed ------------------------------------------------------------------------------------

    def confirm_transmit(self) -> None:
        """Raise NotConfirmed unless every generator's output reads off and the switch reads `transmit`; moves nothing."""
        self._cables.refuse_if_moved(self.radio())
        self._confirm_alone(self.radio())
        for generator in self._generators():
            if generator.read_output_enabled():
                raise NotConfirmed(
                    "its output reads on; PTT was not pressed",
                    instrument=generator.name,
                    address=generator.address,
                    next_move="Find out who switched it on; PTT is not pressed meanwhile.",
                )
        self.confirm_path("transmit")

    def confirm_path(self, path: Path) -> None:
        """Raise NotConfirmed unless the switch reads ``path``; moves nothing."""
        switch = present(self.find(Switch), "switch")
        if (found := switch.read_path()) != path:
            raise NotConfirmed(
                f"path {path} was asked for and the switch stands on {found}",
                instrument=switch.name,
                address=switch.address,
                next_move="Check the switch before anything transmits.",
            )


def known_mode(mode: str) -> Emission:
    """Return ``mode`` as one of the modes there are. Raises ValueError for another."""
    if mode not in ("FM", "AM", "USB", "LSB", "CW"):
        raise ValueError(f"mode {mode!r} is not one of FM, AM, USB, LSB, CW")
    return mode  # type: ignore[return-value]
