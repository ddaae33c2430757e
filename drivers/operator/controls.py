"""The unit's controls and the RF path in a person's hands. Every step on which safety rests needs the word "done"."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal, TypeVar

from typing_extensions import override

from drivers.operator.gathered import Step
from drivers.operator.hand_key import HandKey
from drivers.operator.instruments import Operated
from drivers.roles import Radio, Switch

T = TypeVar("T")
_WHERE = {
    "receive": "to the signal generator (receive path), and NOT to load or meters",
    "transmit": "to the load and the power meter (transmit path), and NOT to the signal generator",
}
_CHECK = "Connect the signal generator straight to the power meter (check path), and leave the unit's antenna connector open."


class OperatorSwitch(Operated[Switch], Switch):
    """RF paths that a person plugs or switches."""

    noun = "RF path"

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._path: Literal["receive", "transmit", "check", "open"] = "open"

    def connect(self, path: Literal["receive", "transmit"]) -> None:
        """Have the unit connected, confirmed; not asked again for a path that was confirmed."""
        if path != self._path:
            self._path = "open"  # until it is confirmed
            self._prompter.confirm(f"Connect the unit's antenna connector {_WHERE[path]}.")
            if self._twin is not None:
                self._twin.connect(path)
            self._path = path

    @override
    def connect_check(self) -> None:
        """Have generator and power meter joined, confirmed; not asked again where that was confirmed."""
        if self._path != "check":
            self._path = "open"
            self._prompter.confirm(_CHECK)
            if self._twin is not None:
                self._twin.connect_check()
            self._path = "check"

    def read_path(self) -> Literal["receive", "transmit", "check", "open", "both"]:
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

    def set_channel(self, channel: int) -> None:
        """Have a channel selected; not asked again for the one that stands."""
        if self._twin is not None and channel != self._channel:
            self._twin.set_channel(channel)

        def stands(on: int | None) -> None:
            self._channel = on

        self._select(
            "channel", f"Select channel {channel} on the unit.", self._channel == channel, channel, stands
        )

    def set_mode(self, mode: Literal["FM", "AM", "USB", "LSB", "CW"]) -> None:
        """Have a mode selected; not asked again for the one that stands."""
        if self._twin is not None and mode != self._mode:
            self._twin.set_mode(mode)

        def stands(in_mode: str | None) -> None:
            self._mode = in_mode or ""

        self._select("mode", f"Select {mode} on the unit.", self._mode == mode, mode, stands)

    def _select(
        self, what: str, text: str, stands_already: bool, wanted: T, stands: Callable[[T | None], None]
    ) -> None:
        if stands_already:
            self._prompter.drop(what)
            return
        self._prompter.later(what, Step(text=text, begun=lambda: stands(None), done=lambda: stands(wanted)))

    @override
    def note_supply_was_off(self) -> None:
        self._channel, self._mode = None, ""

    def key(self) -> None:
        """Have the unit keyed: with the next reading where that is one prompt, else now."""
        self._key.arm(self._prompter.clock.now_s())
        if not self._key.in_one_go:
            self.hold_key()

    @override
    def hold_key(self) -> None:
        """Have PTT pressed and held from now on, for an instrument that reads by itself."""
        if not self._key.is_armed:
            return
        self._key.disarm()
        self._key.held = None
        self._key.pressed_at_s = self._prompter.clock.now_s()
        with self._prompter.gathered.asked() as steps:
            press = f"{steps} Then press" if steps else "Press"
            held = f"{press} and HOLD push-to-talk (PTT) now, {self._key.max_key_time_s:g} s at most"
            self._prompter.confirm(f"{held}, then release it whatever the screen says.")
        self._key.held = True
        if self._twin is not None:
            self._twin.key()

    @override
    def keep_keyed(self, seconds: float) -> None:
        """Have the person keep PTT pressed for ``seconds`` before what is read next."""
        if self._key.is_armed:
            self._key.keep(seconds)
        else:
            self._prompter.clock.wait_s(seconds)

    @override
    def release_with_reading(self) -> None:
        self._key.release_with_reading()

    def unkey(self) -> None:
        """Have PTT released, confirmed; not asked where it was released with the reading."""
        self._key.disarm()
        if self._key.held is False:
            return
        was_held, self._key.held = self._key.held, None  # until it is confirmed
        self._prompter.confirm("RELEASE push-to-talk (PTT).")
        if self._twin is not None:
            self._twin.unkey()
        self._key.held = False
        down_s = self._prompter.clock.now_s() - self._key.pressed_at_s
        if was_held and down_s > self._key.max_key_time_s:
            self._prompter.note(
                f"PTT held for {down_s:.0f} s, from prompt to answer; max_key_time is {self._key.max_key_time_s:g} s"
            )
            self._prompter.tell(f"PTT was held for up to {down_s:.0f} s. Let the unit cool.")

    def read_keyed(self) -> bool:
        """Return whether the unit may be keyed: anything but a confirmed release."""
        return self._key.held is not False

    def disable(self) -> None:
        """Have PTT released, confirmed."""
        self.unkey()
