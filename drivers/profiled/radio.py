"""The unit's own controls on a command profile."""

from __future__ import annotations

from typing import Literal

from typing_extensions import override

from drivers.faults import InstrumentError
from drivers.profiled.base import ProfiledInstrument
from drivers.roles import Radio


class ProfiledRadio(ProfiledInstrument, Radio):
    """Channel, mode and push-to-talk of the unit, through a relay box or its control port."""

    def prepare(self) -> None:
        """Start unkeyed, whatever the box woke up with."""
        self.unkey()

    def disable(self) -> None:
        """Release PTT, confirmed by read-back."""
        self.unkey()

    def set_channel(self, channel: int) -> None:
        """Select a channel, confirmed by read-back."""
        self._set("channel", channel, tolerance=0.0)

    def set_mode(self, mode: Literal["FM", "AM", "USB", "LSB", "CW"]) -> None:
        """Select the emission, confirmed by read-back."""
        self._set_word("mode", mode)

    def read_channel(self) -> int | None:
        """Return the channel it stands on, by its own word."""
        return round(self._read_number("channel"))

    def set_preset(self, name: str, value: int) -> None:
        """Store a setting of the unit, confirmed by read-back."""
        self._select_preset(name)
        self._set("preset", value, tolerance=0.0)
        # Not to be asked again, nor sent again after a restart: under another name it would be another setting's.
        self.forget_setting("preset_name", "preset")

    def read_preset(self, name: str) -> int:
        """Return a setting of the unit."""
        self._select_preset(name)
        return round(self._read_number("preset"))

    def _select_preset(self, name: str) -> None:
        try:
            self._set_word("preset_name", name)
        except InstrumentError as error:
            raise InstrumentError(
                f"this radio has no setting {name}: {error.what}",
                instrument=self.name,
                address=self.address,
                next_move="Correct 'write' of the preset: the name that the radio knows the setting under.",
            ) from error
        self.forget_setting("preset_name")

    def key(self) -> None:
        """Key the transmitter, confirmed by read-back."""
        self._set_switch("key", True)

    def unkey(self) -> None:
        """Release PTT, confirmed by read-back."""
        self._set_switch("key", False)

    @property
    @override
    def ordered_s(self) -> tuple[float, float] | None:
        return self._link.exchanged_s

    def read_keyed(self) -> bool:
        """Return whether the push-to-talk line is closed."""
        return self._read_switch("key")
