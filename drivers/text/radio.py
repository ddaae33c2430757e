"""A radio controlled by lines of text on a serial port or a socket; its key by a command, or by RTS or DTR.

Nothing is believed unanswered: a setting is confirmed by its reply, and by reading back where the profile has a query. After a silence
the line is out of step: what comes late is dropped before the next answer is read. A release is sent first and confirmed after.
An RTS or DTR line cannot read itself back: where no input line senses it (``sense``) and the profile cannot ask the radio, what is known
is what we drive.
"""

from __future__ import annotations

import re
from typing import Literal

from drivers.clock import Clock
from drivers.faults import (
    ConnectFailed,
    InstrumentError,
    InstrumentFault,
    NotConfirmed,
    Refused,
    SettingLost,
    TimedOut,
    UnexpectedReply,
)
from drivers.roles import Identity, Radio
from drivers.text.line import Input, LineReader, Output, TextLine
from drivers.text.profile import ENDS, TextCommand, TextProfile
from drivers.trace import Direction, Exchange, Trace

LATE_MAX_S = 1.0
_PROVING = ("identity", "channel", "mode", "key")


class TextRadio(Radio):
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
        self.name = name
        self.address = address
        self._line = line
        self._profile = profile
        self._clock = clock
        self._timeout_s = timeout_s
        self._trace = trace
        self._ptt: Output | None = None if ptt == "command" else ptt
        self._sense = sense
        self._reader = LineReader(line, ENDS[profile.answers])
        self._in_step = True
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
        self._line.open()
        self._keep(Direction.OPENED)
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

    def _open_if_gone(self) -> None:
        """Open a connection again that the other end has closed while nothing was under way, and prove it as before. ConnectFailed."""
        if self._identity is None or not self._line.is_gone():
            return
        expected, self._identity = self._identity, None  # proving it asks, and must not come here again
        try:
            self._line.open()
            self._keep(Direction.OPENED)
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
            return self._line.read_input(self._sense)
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

    # -- lines ----------------------------------------------------------------------------------------------------

    def _set_word(self, name: str, word: str) -> None:
        command = self._command(name)
        self._set(name, command.set.replace("{text}", self._theirs(name, word)))
        if command.query and self._word(name, said := self._ask(name)) != word:
            raise self._not_confirmed(name, word, said)

    def _set(self, name: str, text: str) -> None:
        """Send a setting at once, and read its reply where the profile says that there is one."""
        command = self._command(name)
        self._open_if_gone()
        was_in_step = self._in_step
        if was_in_step:
            self._drop_late(0.0)
        self._send(text)
        if not was_in_step:
            # Sent first, since it may be a release; which of the lines that come now answers it cannot be told.
            self._drop_late(min(self._timeout_s, LATE_MAX_S))
            if not command.query:
                raise self._fault(
                    TimedOut, "out of step after a silence, and this setting cannot be read back", command=text,
                    next_move="Try again.",
                )  # fmt: skip
            return
        if command.reply:
            said = self._answer(text)
            if re.search(command.reply, said) is None:
                raise self._unexpected(text, said)
        else:
            self._clock.wait_s(self._profile.pause_s)

    def _ask(self, name: str, line: str = "") -> str:
        """Return the value in the answer to the query ``name``, sent as ``line`` where that is more than the profile's own."""
        command = self._command(name)
        query = line or command.query
        self._open_if_gone()
        self._drop_late(0.0 if self._in_step else min(self._timeout_s, LATE_MAX_S))
        self._send(query)
        said = self._answer(query)
        match = re.search(command.pattern, said)
        if match is None:
            raise self._unexpected(query, said)
        return match.group(1)

    def _send(self, text: str) -> None:
        content = text.encode("ascii") + ENDS[self._profile.sends]
        self._keep(Direction.SENT, content)
        self._line.write(content)
        if self._profile.echo and self._in_step:
            echoed = self._answer(text, refusals=False)
            if echoed.strip() != text.strip():
                raise self._unexpected(text, echoed)

    def _answer(self, text: str, *, refusals: bool = True) -> str:
        answer = self._reader.read(self._timeout_s)
        if answer is None:
            held = self._reader.drop(0.0)
            self._in_step = False
            fault = self._fault(
                TimedOut,
                f"no whole answer within {self._timeout_s:g} s",
                command=text,
                reply=held.decode("ascii", "backslashreplace"),
                next_move="Check that the unit is on, the cable, and baud and line ends in its profile.",
            )
            self._keep(Direction.RECEIVED, held, str(fault))
            raise fault
        self._keep(Direction.RECEIVED, answer + ENDS[self._profile.answers])
        said = answer.decode("ascii", "backslashreplace").strip()
        if refusals and self._profile.refusal and (match := re.search(self._profile.refusal, said)):
            reason = match.group(1) if match.re.groups else said
            raise self._fault(
                InstrumentError,
                f"it refuses: {reason or said}",
                command=text,
                reply=said,
                next_move="Check that the unit has what is asked of it.",
            )
        return said

    def _drop_late(self, quiet_s: float) -> None:
        if late := self._reader.drop(quiet_s):
            self._keep(Direction.RECEIVED, late, "came late or unasked; dropped")
        self._in_step = True

    # -- words and faults -----------------------------------------------------------------------------------------

    def _command(self, name: str) -> TextCommand:
        try:
            return self._profile.commands[name]
        except KeyError:
            raise self._fault(
                Refused,
                f"its profile {self._profile.profile!r} has no command {name!r}",
                next_move=f"Add {name!r} to the profile, or take the check that needs it out of the sequence.",
            ) from None

    def _can_ask(self, name: str) -> bool:
        return name in self._profile.commands and bool(self._profile.commands[name].query)

    def _theirs(self, name: str, word: str) -> str:
        return self._command(name).words.get(word, word)

    def _word(self, name: str, said: str) -> str:
        words = self._command(name).words
        for ours, theirs in words.items():
            if theirs.upper() == said.strip().upper():
                return ours
        if words:
            raise self._unexpected(self._command(name).query, said)
        return said.strip().upper()

    def _unexpected(self, text: str, said: str) -> InstrumentFault:
        self._in_step = False  # it may have been the answer to something else
        return self._fault(
            UnexpectedReply,
            "an answer that its profile does not expect",
            command=text,
            reply=said,
            next_move="Check that the profile is this radio's, and baud, parity and line ends in it.",
        )

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

    def _fault(
        self, kind: type[InstrumentFault], what: str, *, command: str = "", reply: str = "", next_move: str
    ) -> InstrumentFault:
        return kind(
            what,
            instrument=self.name,
            address=self.address,
            command=command,
            reply=reply,
            next_move=next_move,
        )

    def _keep(self, direction: Direction, content: bytes = b"", fault: str = "") -> None:
        if self._trace is not None:
            self._trace(
                Exchange(
                    time_s=self._clock.now_s(),
                    instrument=self.name,
                    direction=direction,
                    content=content,
                    fault=fault,
                )
            )
