"""An RF path switch on a command profile."""

from __future__ import annotations

from typing import Literal

from drivers.faults import NotConfirmed
from drivers.profiled.base import ProfiledInstrument
from drivers.profiled.kept_settings import Setting
from drivers.roles import Switch

CONTACTS_MAX_S = 0.5  # no relay for RF takes longer; a coaxial one some 20 ms: common practice, no source
POLL_S = 0.005
Place = Literal["receive", "transmit", "check"]
_CONTACTS: dict[str, Place] = {
    "receive_closed": "receive",
    "transmit_closed": "transmit",
    "check_closed": "check",
}


class ProfiledSwitch(ProfiledInstrument, Switch):
    """The RF path switch: the unit's connector goes to the generator or to the load and meters.

    One that can also join generator and power meter says so in its profile: `connect_check` and `check_closed`.
    """

    def connect(self, path: Literal["receive", "transmit"]) -> None:
        """Route the unit, wait until the contacts rest, and confirm by read-back.

        Debounced: after the settling time of the bench file the switch must read ``path`` twice in a row, within 0.5 s.
        """
        self._move(path)

    def connect_check(self) -> None:
        """Join generator and power meter, debounced and confirmed as `connect` does."""
        if not {"connect_check", "check_closed"} <= self._profile.commands.keys():
            raise self._cannot("join generator and power meter")
        self._move("check")

    def _move(self, path: Place) -> None:
        contacts = {name: place for name, place in _CONTACTS.items() if name in self._profile.commands}
        self.forget_setting(*contacts)
        self._say(f"connect_{path}")
        self._clock.wait_s(self._settle_s)
        deadline_s = self._clock.now_s() + CONTACTS_MAX_S
        agreed = 0
        while agreed < 2:
            if (found := self.read_path()) == path:
                agreed += 1
            elif self._clock.now_s() < deadline_s:
                agreed = 0
            else:
                raise self._elsewhere(path, found)
            self._clock.wait_s(POLL_S)
        for name, place in contacts.items():
            self._kept[name] = Setting(name=name, position=path == place)

    def _elsewhere(self, path: str, found: str) -> NotConfirmed:
        return NotConfirmed(
            f"path {path} was asked for and the switch stands on {found}",
            instrument=self.name,
            address=self.address,
            command=self._command(f"connect_{path}").set,
            next_move="Check the relay numbers in the switch's profile and the switch's own supply.",
        )

    def read_path(self) -> Literal["receive", "transmit", "check", "open", "both"]:
        """Return where the unit's connector goes; ``"both"`` is a fault of the switch that no one may key into."""
        closed = [
            place
            for name, place in _CONTACTS.items()
            if name in self._profile.commands and self._read_switch(name)
        ]
        return "both" if len(closed) > 1 else closed[0] if closed else "open"
