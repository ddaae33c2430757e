"""What every instrument that is reached through a command profile shares: say, ask, set with a check, drain errors.

A driver must: name its role's class, and turn each verb into commands of the profile.
A driver might: override `prepare` (what is sent once after the reset) and `disable` (how it is made safe).
"""

from __future__ import annotations

import math
from collections.abc import Callable

from drivers.clock import Clock
from drivers.faults import InstrumentError, LinkFault, NotConfirmed, Refused, UnexpectedReply
from drivers.frozen import dataclass
from drivers.link import scpi
from drivers.link.link import Link
from drivers.profiled.profile import Profile
from drivers.profiled.timed_reading import TimedReading, is_out_of_range
from drivers.roles import Identity, Limits

MOST_SAMPLES = 1_000_000
FINER = (1.0, 2.0, 4.0)  # where an interval is not offered, one so many times shorter may be
LONGEST_INTERVAL = 1.5
"""Times the one asked for: of 48 kHz at least 32 kHz are left, which reach beyond 15 kHz, the widest audio band that is worked out."""
SAMPLES_ARE = (
    "Let the instrument send its samples as a block of REAL,32, most significant byte first, I and Q in turn, as many as it was told; "
    "one that cannot needs a driver of its own."
)
SAME_INTERVAL = 0.001  # of the interval: one that is off by less records as long


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """A recording that is under way: how many samples, their interval, and when the order for it went out, s."""

    count: int
    interval_s: float
    ordered_s: float


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
        self.confirm_identity: Callable[[Identity], object] = lambda identity: None
        """Raises where another instrument answers than the bench file names: before it is reset."""

    # -- life ---------------------------------------------------------------------------------------------------------

    def open(self) -> Identity:
        """Open the link, prove it and bring the instrument to a known state. Raises `InstrumentFault`."""
        reply = self._link.open()
        try:
            identity = scpi.parse_identity(reply)
        except ValueError as error:
            raise self._unexpected(str(error), "*IDN?", reply) from error
        self.confirm_identity(identity)
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
        self._without_number = 0
        if self._prepared_at != self._link.generation:
            self._kept.clear()
            self._prepare()

    def _prepare(self) -> None:
        for message in self._profile.prepare:
            self._checked(message)
        self._stood = {question: self._told_twice(question) for question in self._profile.prepared}
        self.prepare()
        self._prepared_at = self._link.generation

    def _told_twice(self, question: str) -> str:
        """Return what ``question`` is answered the same twice: all that is measured rests on it, and one answer may be anything.

        Raises UnexpectedReply where of three no two are the same.
        """
        answers = [self._link.query(question) for _ in range(2)]
        if answers[0].strip() != answers[1].strip():
            answers.append(self._link.query(question))
        said = [one.strip() for one in answers]
        if len(set(said)) == len(said):
            raise self._unexpected("it answers something else each time", question, ", ".join(said))
        return max(said, key=said.count)

    def prepare(self) -> None:
        """Send what this kind of instrument needs once after the reset."""

    def close(self) -> None:
        """Let go of the instrument. Never raises for a link that is already gone."""
        self._link.close()

    def disable(self) -> None:
        """Make safe: nothing to do for an instrument that drives nothing."""

    # -- recordings (see drivers.profiled.recording) -----------------------------------------------------------------------

    def prepare_recording(self, seconds: float, rate_hz: float) -> tuple[int, float]:
        """Set points and interval and record; returns how many points the instrument made of it, and the interval, s.

        Where its intervals go in steps the nearest is taken as it reads back, with as many points as fill ``seconds``: a shorter one
        loses nothing, a longer one up to half as long again. Where it is longer still, a shorter one is asked for.
        """
        self._wait_settled()
        with self._changing_nothing():
            count, made_s = self._take_recording(seconds, rate_hz)
            self._say("record", extra_s=count * made_s)
        return count, made_s

    def begin_recording(self, seconds: float, rate_hz: float) -> Begun:
        """Set points and interval as `prepare_recording` does, and order the recording without waiting for its end.

        Nothing asks the error queue before `await_recording`: an instrument that records would answer only then.
        """
        with self._changing_nothing():
            count, made_s = self._take_recording(seconds, rate_hz)
            self._link.write(self._set_message("begin_recording"))
        return Begun(count=count, interval_s=made_s, ordered_s=self._link.exchanged_s[0])

    def await_recording(self, length_s: float) -> float:
        """Wait for the end of a recording of ``length_s``; returns when it was said to be over. InstrumentError where it complains."""
        complete = self._profile.commands.get("complete")
        question = complete.query if complete is not None else "*OPC?"
        self._link.query(question, timeout_s=self._link.timeout_s + length_s)
        over_s = self._link.exchanged_s[1]
        if entry := self._ask_error():
            entries = [entry, *self._remaining_errors()]
            raise InstrumentError(
                f"it complains: {', then '.join(map(str, entries))}",
                instrument=self.name,
                address=self.address,
                command=self._set_message("begin_recording"),
                reply=str(entry),
                next_move="Compare the profile's 'begin_recording' with the instrument's manual.",
            )
        return over_s

    def nothing_begun(self) -> Refused:
        """Return the refusal of a recording that was never begun."""
        return Refused(
            "no recording was begun",
            instrument=self.name,
            address=self.address,
            next_move="Begin one first.",
        )

    def _take_recording(self, seconds: float, rate_hz: float) -> tuple[int, float]:
        """Set points and interval; returns what the instrument made of them."""
        count = self._take_points(round(seconds * rate_hz))
        made_s = self._take_interval(1.0 / rate_hz)
        if abs(made_s * rate_hz - 1.0) > SAME_INTERVAL:
            count = self._take_points(round(seconds / made_s))
            made_s = self._set("recording_interval", made_s, tolerance=SAME_INTERVAL * made_s)
        # Points times interval is the time of an acquisition, which many couple to the time of a reading.
        self.forget_setting("recording_points", "recording_interval", "reading_time")
        return count, made_s

    def _take_interval(self, asked_s: float) -> float:
        """Set the interval, or one of the shorter ones, and return what it made of it, s: not longer than can be reckoned with."""
        longest_s, made_s, refusal = LONGEST_INTERVAL * asked_s, math.nan, None
        for finer in FINER:
            try:
                made_s = self._set("recording_interval", asked_s / finer, tolerance=(asked_s, math.inf))
            except InstrumentError as error:
                if not is_out_of_range(error):
                    raise
                refusal = error
            else:
                if 0.0 < made_s <= longest_s:
                    return made_s
        if refusal is not None:
            raise refusal
        raise NotConfirmed(
            f"recording_interval was set to {asked_s:g} s, and to {asked_s / FINER[-1]:g} s, and reads back {made_s:g} s",
            instrument=self.name,
            address=self.address,
            next_move=f"An interval up to {longest_s:.3g} s is used as it reads back. Check the profile's scale, or let the check read "
            "by the analyser's own answer.",
        )

    def _take_points(self, count: int) -> int:
        """Set how many points are recorded; returns what it made of that: as many as were asked for."""
        if not 1 <= count <= MOST_SAMPLES:
            raise self.cannot_record(count, MOST_SAMPLES)
        return round(self._set("recording_points", count, tolerance=0.0))

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
            SAMPLES_ARE,
        )

    def no_numbers(self, name: str, found: int, samples: int) -> UnexpectedReply:
        """Return the fault of a recording in which samples are no numbers."""
        return self._unexpected(
            f"{found} of {samples} samples recorded are no numbers",
            self._command(name).query,
            f"{samples} numbers",
            SAMPLES_ARE,
        )

    def no_quadrature(self, name: str, samples: int) -> UnexpectedReply:
        """Return the fault of a complex recording of which every second number is nought: a magnitude says nothing of a frequency."""
        return self._unexpected(
            f"the second of each pair of the {samples} samples recorded is nought: what came is a magnitude, not I and Q",
            self._command(name).query,
            f"{samples} pairs",
            SAMPLES_ARE,
        )

    def clipped(self, name: str, at: float, share: float) -> UnexpectedReply:
        """Return the fault of a complex recording whose I or Q ends at one value, as an overloaded input's does."""
        return self._unexpected(
            f"{share:.0%} of the samples recorded end at {at:.3g} exactly, whatever the other of I and Q is: the input is overloaded",
            self._command(name).query,
            f"{share:.0%} at {at:.3g}",
            "Put more attenuation before the instrument, or set its input to a higher range, and record again.",
        )

    def over_too_soon(self, name: str, length_s: float, after_s: float) -> UnexpectedReply:
        """Return the fault of a recording that ended before it can have lasted as long as its interval says."""
        return self._unexpected(
            f"a recording of {1e3 * length_s:.4g} ms was over {1e3 * after_s:.4g} ms after it was ordered: it does not sample at the "
            "interval that it reads back",
            self._command(name).query,
            f"over after {1e3 * after_s:.4g} ms",
            "Compare the profile's words for interval, number of samples and 'complete' with the instrument's manual.",
        )


__all__ = ["Limits", "LinkFault", "ProfiledInstrument"]
