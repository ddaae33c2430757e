"""A radio controlled by lines of text on a serial port or a socket; its key by a command, or by RTS or DTR.

Nothing is believed unanswered: a setting is confirmed by its reply, and by reading back where the profile has a query. After a silence
the line is out of step: what comes late is dropped before the next answer is read. A release is sent first and confirmed after.
An RTS or DTR line cannot read itself back: where no input line senses it (``sense``) and the profile cannot ask the radio, what is known
is what we drive.
"""

from __future__ import annotations

from typing import Literal

from typing_extensions import override

from drivers.clock import Clock
from drivers.faults import ConnectFailed, InstrumentFault, NotConfirmed, Refused, SettingLost
from drivers.roles import Identity, Radio
from drivers.text.conversation import Conversation
from drivers.text.line import Input, Output, TextLine
from drivers.text.profile import TextProfile
from drivers.trace import Direction, Trace

_PROVING = ("identity", "channel", "mode", "key")


class TextRadio(Conversation, Radio):
    """Channel, mode and push-to-talk of a unit that understands lines of text.

    ``ptt`` is ``"command"``, ``"rts"`` or ``"dtr"``; ``sense`` an input line that is wired to see the key.
    """

    def __init__(
        self,
        line: TextLine,
        profile: TextProfile,
        clock: Clock,
        *,
        name: str,
        address: str,
        timeout_s: float = 2.0,
        trace: Trace | None = None,
        ptt: Literal["command", "rts", "dtr"] = "command",
        sense: Input | None = None,
    ) -> None:
        super().__init__(line, profile, clock, name=name, address=address, timeout_s=timeout_s, trace=trace)
        self._ptt: Output | None = None if ptt == "command" else ptt
        self._sense = sense
        self._keyed: bool | None = None
        self._channel: int | None = None
        self._mode = ""
        self._identity: Identity | None = None  # while it is open, and proved

    # -- life -----------------------------------------------------------------------------------------------------

    def open(self) -> Identity:
        """Open the line, prove it by the first thing the profile can ask, and release the key. Raises `InstrumentFault`."""
        if self._ptt is None and "key" not in self._profile.commands:
            raise self._fault(
                Refused,
                f"its profile {self._profile.profile!r} has no key command",
                next_move="Write 'ptt: rts' or 'ptt: dtr' in the bench file, or add the command.",
            )
        self._open_line()
        try:
            self._reader.drop(0.0)
            self.unkey()
            self._identity = self._prove()
        except InstrumentFault:
            self.close()
            raise
        return self._identity

    def close(self) -> None:
        """Close the line. Never raises."""
        self._identity = None
        self._line.close()
        self._keep(Direction.CLOSED)

    def disable(self) -> None:
        """Release the key, confirmed."""
        self.unkey()

    def read_errors(self) -> list[str]:
        """A radio like this has no error queue; what it refuses it says at once."""
        return []

    @override
    def _open_if_gone(self) -> None:
        """Open a connection again that the other end has closed while nothing was under way, and prove it as before. ConnectFailed."""
        if self._identity is None or not self._line.is_gone():
            return
        expected, self._identity = self._identity, None  # proving it asks, and must not come here again
        try:
            self._open_line()
            self._reader.drop(0.0)
            self._in_step = True
            if (found := self._prove()) != expected:
                raise self._fault(
                    ConnectFailed,
                    f"opened again it is another one: {found}, before {expected}",
                    next_move="See which radio answers at this address.",
                )
        finally:
            self._identity = expected

    def _prove(self) -> Identity:
        name = next((name for name in _PROVING if self._can_ask(name)), "")
        if not name:
            raise self._fault(
                ConnectFailed, "its profile can ask nothing, so that nothing proves the line",
                next_move="Add a 'query' with a 'pattern' to the profile.",
            )  # fmt: skip
        said = self._ask(name)
        if name != "identity":
            return Identity(maker="", model=f"radio, profile {self._profile.profile}", serial="", firmware="")
        maker, _, rest = said.partition(" ")
        model, _, serial = rest.partition(" ")
        return Identity(maker=maker, model=model, serial=serial, firmware="")

    # -- what a radio can do --------------------------------------------------------------------------------------

    def set_channel(self, channel: int) -> None:
        """Select a channel, confirmed."""
        command = self._command("channel")
        self._channel = None
        self._set("channel", command.set.replace("{number}", f"{channel:0{command.digits}d}"))
        if command.query:
            said = self._ask("channel")
            if not said.strip().isdigit() or int(said) != channel:
                raise self._not_confirmed("channel", str(channel), said)
        self._channel = channel

    def set_mode(self, mode: Literal["FM", "AM", "USB", "LSB", "CW"]) -> None:
        """Select the emission, confirmed. Refused for one that the profile has no word for."""
        command = self._command("mode")
        if command.words and mode not in command.words:
            raise self._fault(
                Refused,
                f"mode {mode} refused; its profile has words for {', '.join(command.words)}",
                next_move="Add the word to the profile if the unit has the mode.",
            )
        self._mode = ""
        self._set_word("mode", mode)
        self._mode = mode

    def read_channel(self) -> int | None:
        """Return the channel it stands on, by its own word; None where its profile cannot ask."""
        if not self._can_ask("channel"):
            return None
        said = self._ask("channel").strip()
        return int(said) if said.isdigit() else None

    def confirm_settings(self) -> None:
        """Ask again for channel and mode, where the profile can. Raises SettingLost where one reads otherwise now."""
        if (
            self._channel is not None
            and self._can_ask("channel")
            and (found := self.read_channel()) != self._channel
        ):
            raise self._lost("channel", str(self._channel), str(found))
        if (
            self._mode
            and self._can_ask("mode")
            and (said := self._word("mode", self._ask("mode"))) != self._mode
        ):
            raise self._lost("mode", self._mode, said)

    def set_preset(self, name: str, value: int) -> None:
        """Store a setting of the unit, confirmed by its reply, and by reading back where the profile can ask."""
        command = self._command("preset")
        self._set(
            "preset", command.set.replace("{text}", name).replace("{number}", f"{value:0{command.digits}d}")
        )
        if command.query and (found := self.read_preset(name)) != value:
            raise self._not_confirmed(name, str(value), str(found))

    def read_preset(self, name: str) -> int:
        """Return a setting of the unit, by its own word."""
        command = self._command("preset")
        if not command.query:
            raise self._no_presets()
        said = self._ask("preset", command.query.replace("{text}", name)).strip()
        try:
            return int(said)
        except ValueError:
            raise self._unexpected(command.query, said) from None

    def key(self) -> None:
        """Key the transmitter, confirmed."""
        self._switch_key(True)

    def unkey(self) -> None:
        """Release the key, confirmed."""
        self._switch_key(False)

    def read_keyed(self) -> bool:
        """Return whether the push-to-talk line is closed: sensed, or asked, or else as it is driven."""
        if self._sense is not None:
            sensed = self._line.read_input(self._sense)
            self._keep(
                Direction.RECEIVED, f"{self._sense.upper()} {'raised' if sensed else 'dropped'}".encode()
            )
            return sensed
        if self._can_ask("key"):
            return self._word("key", self._ask("key")) == "on"
        if self._ptt is not None:
            return self._line.read_output(self._ptt)
        if self._keyed is None:
            raise self._fault(
                NotConfirmed,
                "nothing tells whether it transmits (push-to-talk)",
                next_move="Look at the unit.",
            )
        return self._keyed

    def _switch_key(self, on: bool) -> None:
        self._keyed = None
        if self._ptt is not None:
            self._line.set_output(self._ptt, on)
            self._keep(Direction.SENT, f"{self._ptt.upper()} {'raised' if on else 'dropped'}".encode())
        else:
            self._set(
                "key", self._command("key").set.replace("{text}", self._theirs("key", "on" if on else "off"))
            )
        self._keyed = on
        if (
            self._ptt is None or self._sense is not None or self._can_ask("key")
        ) and self.read_keyed() is not on:
            raise self._not_confirmed("key", "on" if on else "off", "the other")

    # -- words and faults -----------------------------------------------------------------------------------------

    def _set_word(self, name: str, word: str) -> None:
        command = self._command(name)
        self._set(name, command.set.replace("{text}", self._theirs(name, word)))
        if command.query and self._word(name, said := self._ask(name)) != word:
            raise self._not_confirmed(name, word, said)

    def _not_confirmed(self, name: str, wanted: str, said: str) -> InstrumentFault:
        next_move = "Check the unit itself, and the profile's lines for it."
        if name == "key":
            next_move = "Remove the supply from the unit if it must not transmit, then look for a stuck push-to-talk (PTT) line."
        return self._fault(
            NotConfirmed, f"{name} was set to {wanted} and reads back {said}", next_move=next_move
        )

    def _lost(self, name: str, wanted: str, said: str) -> InstrumentFault:
        return self._fault(
            SettingLost,
            f"{name} was set to {wanted} and reads {said} now",
            next_move="The unit may have restarted: look at its supply and its control cable.",
        )
