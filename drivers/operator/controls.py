"""The unit's controls and the RF path in a person's hands. Every step on which safety rests needs the word "done"."""

from __future__ import annotations

from typing import Any, Literal

from typing_extensions import override

from drivers.operator.hand_key import HandKey
from drivers.operator.instruments import Operated
from drivers.roles import Radio, Switch

_WHERE = {
    "receive": "to the signal generator (receive path), and NOT to load or meters",
    "transmit": "to the load and the power meter (transmit path), and NOT to the signal generator",
}


class OperatorSwitch(Operated[Switch], Switch):
    """RF paths that a person plugs or switches."""

    noun = "RF path"

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._path: Literal["receive", "transmit", "open"] = "open"

    def connect(self, path: Literal["receive", "transmit"]) -> None:
        """Have the unit connected, confirmed; not asked again for a path that was confirmed."""
        if path != self._path:
            self._path = "open"  # until it is confirmed
            self._prompter.confirm(f"Connect the unit's antenna connector {_WHERE[path]}.")
            if self._twin is not None:
                self._twin.connect(path)
            self._path = path

    def read_path(self) -> Literal["receive", "transmit", "open", "both"]:
        """Return what the person confirmed last; ``"open"`` where nobody has."""
        return self._path


class OperatorRadio(Operated[Radio], Radio):
    """Channel, mode and key of the unit in a person's hands; see `HandKey`."""

    noun = "unit's controls"

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        if self._hand is None:
            self._hand = HandKey(max_key_time_s=20.0, in_one_go=False)
        self._key: HandKey = self._hand
        self._key.twin = self._twin
        self._channel: int | None = None
        self._mode = ""
        self._pressed_at_s = 0.0

    def set_channel(self, channel: int) -> None:
        """Have a channel selected; not asked again for the one that stands."""
        if channel != self._channel:
            self._channel = None
            self._prompter.tell(f"Select channel {channel} on the unit.")
            if self._twin is not None:
                self._twin.set_channel(channel)
            self._channel = channel

    def set_mode(self, mode: Literal["FM", "AM", "USB", "LSB", "CW"]) -> None:
        """Have a mode selected; not asked again for the one that stands."""
        if mode != self._mode:
            self._mode = ""
            self._prompter.tell(f"Select {mode} on the unit.")
            if self._twin is not None:
                self._twin.set_mode(mode)
            self._mode = mode

    @override
    def note_supply_was_off(self) -> None:
        self._channel, self._mode = None, ""

    def key(self) -> None:
        """Have the unit keyed: with the next reading where that is one prompt, else now."""
        if self._key.in_one_go:
            self._key.arm(self._prompter.clock.now_s())
            return
        self._key.held = None
        self._pressed_at_s = self._prompter.clock.now_s()
        self._prompter.confirm(
            f"Press and HOLD push-to-talk (PTT) now, {self._key.max_key_time_s:g} s at most, then release it whatever the screen says."
        )
        self._key.held = True
        if self._twin is not None:
            self._twin.key()

    def unkey(self) -> None:
        """Have the key released, confirmed; not asked where it was released with the reading."""
        self._key.disarm()
        if self._key.held is False:
            return
        was_held, self._key.held = self._key.held, None  # until it is confirmed
        self._prompter.confirm("RELEASE push-to-talk (PTT).")
        if self._twin is not None:
            self._twin.unkey()
        self._key.held = False
        down_s = self._prompter.clock.now_s() - self._pressed_at_s
        if was_held and down_s > self._key.max_key_time_s:
            self._prompter.note(
                f"PTT held for {down_s:.0f} s, from prompt to answer; max_key_time is {self._key.max_key_time_s:g} s"
            )
            self._prompter.tell(f"PTT was held for up to {down_s:.0f} s. Let the unit cool.")

    def read_keyed(self) -> bool:
        """Return whether the unit may be keyed: anything but a confirmed release."""
        return self._key.held is not False

    def disable(self) -> None:
        """Have the key released, confirmed."""
        self.unkey()
