"""What every instrument that is reached through a command profile shares: say, ask, set with a check, drain errors.

A driver must: name its role's class, and turn each verb into commands of the profile.
A driver might: override `prepare` (what is sent once after the reset) and `disable` (how it is made safe).
"""

from __future__ import annotations

from drivers.clock import Clock
from drivers.faults import InstrumentError, LinkFault, Refused, UnexpectedReply
from drivers.link import scpi
from drivers.link.link import Link
from drivers.profiled.profile import Profile
from drivers.profiled.timed_reading import TimedReading
from drivers.roles import Identity, Limits


class ProfiledInstrument(TimedReading):
    """An instrument on a `Link`, spoken to in the words of its `Profile`.

    Constructed by the engine when the bench opens, with these arguments and no others; nothing is sent before `open`. ``link`` is the
    connection that is not yet open (its name and address are the instrument's); ``profile`` the complete profile that the bench file
    names; ``clock`` is what everything that waits must ask; ``settle_s`` the bench file's ``settle``, s, to be waited after a setting
    before a reading counts; ``limits`` what the bench file says that the instrument can do.
    """

    def __init__(
        self,
        link: Link,
        profile: Profile,
        clock: Clock,
        *,
        settle_s: float = 0.0,
        limits: Limits | None = None,
    ) -> None:
        super().__init__(link, profile, clock, settle_s=settle_s)
        self._limits = limits or Limits()

    # -- life ---------------------------------------------------------------------------------------------------------

    def open(self) -> Identity:
        """Open the link, prove it and bring the instrument to a known state. Raises `InstrumentFault`."""
        reply = self._link.open()
        try:
            identity = scpi.parse_identity(reply)
        except ValueError as error:
            raise self._unexpected(str(error), "*IDN?", reply) from error
        try:
            self._link.write(self._profile.commands["clear"].set)
            self._say("reset")
            self._kept.clear()
            self._unknown.clear()
            self._prepare()
        except InstrumentError as error:
            raise self._another(error, reply) from error
        return identity

    def _another(self, error: InstrumentError, says_it_is: str) -> InstrumentError:
        """Return the complaint of an instrument about its first messages with what it says it is: two addresses may be swapped."""
        return InstrumentError(
            f"{error.what}; it says that it is {says_it_is.strip()!r}",
            instrument=error.instrument,
            address=error.address,
            command=error.command,
            reply=error.reply,
            next_move=f"If that is no {self._profile.role.replace('_', ' ')}, correct the addresses in the bench file: two may be swapped. "
            f"{error.next_move}",
        )

    def set_start_state(self) -> None:
        """Empty the error queue, and send what follows a reset once more where the instrument may have had one since.

        A reading asks for no errors: what one left behind would be blamed on the next setting.
        """
        self._checked(self._profile.commands["clear"].set)
        if self._prepared_at != self._link.generation:
            self._kept.clear()
            self._prepare()

    def _prepare(self) -> None:
        for message in self._profile.prepare:
            self._checked(message)
        self.prepare()
        self._prepared_at = self._link.generation

    def prepare(self) -> None:
        """Send what this kind of instrument needs once after the reset."""

    def close(self) -> None:
        """Let go of the instrument. Never raises for a link that is already gone."""
        self._link.close()

    def disable(self) -> None:
        """Make safe: nothing to do for an instrument that drives nothing."""

    # -- recordings (see drivers.profiled.recording) -----------------------------------------------------------------------

    def prepare_recording(self, count: int, interval_s: float) -> float:
        """Set points and interval and record; returns the interval that the instrument made of it, s."""
        self._wait_settled()
        with self._changing_nothing():
            self._set("recording_points", count, tolerance=0.0)
            made_s = self._set("recording_interval", interval_s, tolerance=0.05 * interval_s)
            # Points times interval is the time of an acquisition, which many couple to the time of a reading.
            self.forget_setting("recording_points", "recording_interval", "reading_time")
            self._say("record", extra_s=count * made_s)
        return made_s

    def read_block(self, name: str, *, extra_s: float = 0.0) -> bytes:
        """Ask for a definite-length block."""
        return self._link.query_block(self._command(name).query, timeout_s=self._link.timeout_s + extra_s)

    def cannot_record(self, count: int, most: int) -> Refused:
        """Return the refusal of a recording that is too short or too long."""
        return Refused(
            f"a recording of {count} samples refused; 1 to {most} are possible",
            instrument=self.name,
            address=self.address,
            next_move="Change its length or its sample rate.",
        )

    def wrong_block(self, name: str, found: int, expected: int) -> UnexpectedReply:
        """Return the fault of a recording that is not as long as was asked."""
        return self._unexpected(
            f"{found} numbers came where {expected} samples were recorded",
            self._command(name).query,
            f"{found} numbers",
        )


__all__ = ["Limits", "LinkFault", "ProfiledInstrument"]
